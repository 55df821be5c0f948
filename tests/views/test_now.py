"""An old verdict is never shown as if it were fresh."""

from datetime import timedelta

import pytest

from drymon.drying.quantities import Quantity
from drymon.readback.now import Now, age, as_json, rack_now, sensor_now, sensor_status, tree_now
from drymon.shop.facts.outcome import AirNow, RackStatus, State, When
from drymon.shop.facts.reading import Reading
from drymon.store.history import Channel, DoubtedSpan
from tests.views.invented import hours, verdict

READY = verdict("t-1", -20, 0.0, state=State.READY)


def rack(ready: bool = True) -> RackStatus:
    states = {"t-1": State.READY}
    return RackStatus(hours(0), hours(0.25), "rack-a", ready, None, None, states, AirNow(22.0, 45.0, 1.0))


def test_fresh_with_the_service_running_stays_as_it_is() -> None:
    assert tree_now(READY, hours(0.1), online=True) == READY
    assert rack_now(rack(), [READY], hours(0.1), online=True) == rack()


@pytest.mark.parametrize(("at", "online"), [(0.1, False), (0.3, True), (30.0, False)])
def test_old_or_unserved_is_unknown_with_its_age(at: float, online: bool) -> None:
    now = tree_now(READY, hours(at), online)
    assert now.state is State.UNKNOWN
    assert not now.safe_to_redip
    assert now.dry_at == When(None, None, None)
    assert [reason.code for reason in now.reasons] == ["air-unknown"]
    assert age(timedelta(hours=at)) in now.reasons[0].text
    shown = rack_now(rack(), [now], hours(at), online)
    assert (shown.ready, shown.trees["t-1"], shown.air.temperature_c) == (False, State.UNKNOWN, None)


def test_a_record_ahead_of_the_clock_has_no_age() -> None:
    now = tree_now(READY, hours(-3), online=False)
    assert now.state is State.UNKNOWN
    assert "a time that this computer's clock has not reached" in now.reasons[0].text


def test_a_rack_is_no_better_than_a_tree_of_it_that_has_gone_stale() -> None:
    fresh_rack, stale_tree = rack(), tree_now(READY, hours(0.2), online=False)
    assert not rack_now(fresh_rack, [stale_tree], hours(0.2), online=True).ready


def test_the_document_has_the_keys_of_the_interface() -> None:
    document = as_json(Now(hours(1), False, [tree_now(READY, hours(1), False)], [rack()]))
    assert list(document) == ["time", "service", "trees", "racks", "sensors", "refused"]
    assert (document["time"], document["service"]) == ("2031-03-03T06:00:00Z", "offline")
    tree = document["trees"][0]
    assert {"time", "valid_until", "tree", "rack", "coat", "number", "dipped_at", "state", "safe_to_redip", "dryness",
            "dry_at", "redip_by", "reasons"} <= set(tree)  # fmt: skip
    assert (tree["state"], tree["safe_to_redip"], tree["age_s"]) == ("unknown", False, 3600)
    assert document["refused"] == {"count": 0, "latest": []}


def test_a_sensor_is_silent_when_stale_and_doubted_where_the_record_says_so() -> None:
    reading = Reading(hours(0), hours(0), "rack-a", Quantity.HUMIDITY, 44.0)
    stuck = DoubtedSpan(Channel("rack-a", "humidity"), "stuck", hours(-1), hours(0))
    assert sensor_status(reading, []).state == "ok"
    assert sensor_status(reading, [stuck]).state == "stuck"
    assert sensor_now(sensor_status(reading, []), hours(0.1), timedelta(minutes=10)).state == "ok"
    assert sensor_now(sensor_status(reading, [stuck]), hours(1), timedelta(minutes=10)).state == "silent"


@pytest.mark.parametrize(
    ("minutes", "words"),
    [
        (0.2, "less than a minute"),
        (4, "4 min"),
        (60, "1 h"),
        (190, "3 h 10 min"),
        (3060, "2 days 3 h"),
        (1500, "1 day 1 h"),
    ],
)
def test_an_age_is_said_in_two_units(minutes: float, words: str) -> None:
    assert age(timedelta(minutes=minutes)) == words
