"""What goes out: the wire form as the interface documents it, read back by the JSON library alone."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from drymon.messages.outgoing import last_will, received, sensor_dict, service_state, to_message
from drymon.messages.payload import read_measured
from drymon.messages.topics import is_own
from drymon.shop.facts.outcome import (
    AirNow,
    Alert,
    Bounds,
    RackStatus,
    Reason,
    SensorStatus,
    State,
    TreeGone,
    Verdict,
    When,
)
from drymon.shop.facts.sensor_state import SensorState

NOON = datetime(2031, 3, 3, 12, tzinfo=UTC)
LATER = NOON + timedelta(hours=2, microseconds=600_000)


def verdict(**changes):
    plain = {
        "time": NOON, "valid_until": NOON + timedelta(minutes=11, seconds=30), "tree": "t-7", "rack": "rack-a",
        "coat": "backup", "number": 4, "dipped_at": NOON - timedelta(hours=1), "state": State.DRYING,
        "dryness": Bounds(0.55, 0.61, 0.6799999), "dry_at": When(NOON, LATER, None), "redip_by": None,
        "reasons": (Reason("wet", "61 % of the water is gone"),), "next_coat": "seal",
    }  # fmt: skip
    return Verdict(**{**plain, **changes})


def test_a_verdict_on_the_wire() -> None:
    message = to_message(verdict(), "shop")
    assert (message.topic, message.retain, message.qos) == ("drymon/shop/out/tree/t-7", True, 1)
    assert (message.arrived, message.expiry_s) == (NOON, 690)
    content = json.loads(message.payload)
    documented = ["time", "valid_until", "tree", "rack", "coat", "number", "dipped_at", "state", "safe_to_redip",
                  "dryness", "dry_at", "redip_by", "reasons", "advice"]  # fmt: skip
    assert list(content)[: len(documented)] == documented
    assert content["time"] == "2031-03-03T12:00:00Z"
    assert content["dryness"] == {"low": 0.55, "best": 0.61, "high": 0.68}
    assert content["dry_at"] == {"early": "2031-03-03T12:00:00Z", "best": "2031-03-03T14:00:00Z", "late": None}
    assert content["reasons"] == [{"code": "wet", "text": "61 % of the water is gone"}]
    assert (content["state"], content["safe_to_redip"], content["redip_by"]) == ("drying", False, None)
    assert content["advice"] is None  # of a record from before there was any
    told = json.loads(to_message(verdict(advice="dip it by Tue 11:05"), "shop").payload)
    assert told["advice"] == "dip it by Tue 11:05"


@pytest.mark.parametrize("state", list(State))
def test_only_ready_is_safe(state) -> None:
    content = json.loads(to_message(verdict(state=state), "shop").payload)
    assert content["safe_to_redip"] is (content["state"] == "ready")


def test_an_unknown_verdict() -> None:
    content = json.loads(
        to_message(verdict(state=State.UNKNOWN, dryness=None, dry_at=When(None, None, None)), "shop").payload
    )
    assert content["dryness"] is None
    assert content["dry_at"] == {"early": None, "best": None, "late": None}


def test_a_rack_on_the_wire() -> None:
    rack = RackStatus(NOON, NOON + timedelta(minutes=10), "rack-a", False, When(NOON, LATER, None), "t-9",
                      {"t-9": State.DRYING, "t-7": State.READY}, AirNow(22.123, 50.0, 0.61239, None))  # fmt: skip
    message = to_message(rack, "shop")
    content = json.loads(message.payload)
    assert (message.topic, message.retain) == ("drymon/shop/out/rack/rack-a", True)
    assert list(content) == ["time", "valid_until", "rack", "ready", "ready_at", "waiting_for", "trees", "air"]
    assert content["trees"] == {"t-7": "ready", "t-9": "drying"}
    assert content["air"]["temperature_c"] == 22.12
    assert content["air"]["pressure_pa"] is None


def test_an_alert_on_the_wire() -> None:
    message = to_message(Alert(NOON, "a-1", "tree-hold", "t-7", "warning", "raised", "look at it"), "shop")
    assert (message.topic, message.retain, message.qos, message.expiry_s) == ("drymon/shop/out/alert", False, 1, None)
    assert json.loads(message.payload) == {
        "time": "2031-03-03T12:00:00Z", "id": "a-1", "kind": "tree-hold", "subject": "t-7", "severity": "warning",
        "state": "raised", "text": "look at it",
    }  # fmt: skip


def test_a_tree_that_left_is_cleared(published) -> None:
    """OASIS MQTT 5 section 3.3.1.3: a retained message is deleted by a zero-length retained payload."""
    rule = next(row for row in published("mqtt_limits") if row["item"] == "retained message deleted by")
    message = to_message(TreeGone(NOON, "t-7"), "shop")
    assert rule["value"] == "zero-length retained payload"
    assert (message.topic, message.payload, message.retain) == ("drymon/shop/out/tree/t-7", b"", True)


def test_expiry_fits_its_four_bytes() -> None:
    """OASIS MQTT 5 section 3.3.2.3.3; an expiry of nothing would be none."""
    far = to_message(verdict(valid_until=NOON + timedelta(days=60_000)), "shop")
    past = to_message(verdict(valid_until=NOON), "shop")
    assert far.expiry_s < 2**32
    assert past.expiry_s == 1


def test_the_service_on_itself() -> None:
    online, will, mark = (
        service_state("shop", "online", NOON),
        last_will("shop", NOON),
        received("shop", "node-1", "7", 41, NOON),
    )
    assert [json.loads(message.payload).get("state") for message in (online, will)] == ["online", "offline"]
    assert {message.topic for message in (online, will)} == {"drymon/shop/out/service"}
    assert json.loads(mark.payload) == {"boot": 7, "seq": 41}
    assert mark.topic == "drymon/shop/out/received/node-1"
    assert all(message.retain and is_own("shop", message.topic) for message in (online, will, mark))


@pytest.mark.parametrize("boot", [7, "7", "b7", '"7"', 0])
def test_a_node_hears_its_boot_as_it_said_it(boot) -> None:
    payload = json.dumps({"value": 21, "device": "node-1", "boot": boot, "seq": 3}).encode()
    kept = read_measured(payload).boot
    assert json.loads(received("shop", "node-1", kept, 3, NOON).payload) == {"boot": boot, "seq": 3}


def test_a_sensors_last_word() -> None:
    found = sensor_dict(SensorStatus("rack-a", "humidity", "", NOON, 51.25, "%RH", SensorState.OK))
    assert list(found) == ["place", "quantity", "sensor", "time", "value", "unit", "state"]
    assert found["value"] == 51.25


def test_no_number_that_json_does_not_have() -> None:
    """RFC 8259 section 6: NaN is no JSON number."""
    with pytest.raises(ValueError, match="JSON compliant"):
        to_message(verdict(dryness=Bounds(0.1, float("nan"), 0.3)), "shop")
