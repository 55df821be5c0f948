"""What drymon says, in its wire form: outcomes to dicts, dicts to messages.

The same dicts are what `drymon status --json` prints. Numbers are rounded to what they are worth.
"""

import json
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any, Literal

from drymon.messages import topics
from drymon.messages.message import Message
from drymon.messages.payload import boot_said
from drymon.messages.times import stamp
from drymon.shop.facts.outcome import (
    AirNow,
    Alert,
    Bounds,
    DayPlan,
    Outcome,
    PlanAir,
    PlannedDip,
    RackStatus,
    SensorStatus,
    TreeGone,
    Verdict,
    When,
    recorded_in,
)

QOS = 1
LONGEST_EXPIRY_S = 2**32 - 1
"""The expiry interval has four bytes (MQTT 5, section 3.3.2.3.3)."""


def to_message(outcome: Outcome, room: str) -> Message:
    """The message that tells an outcome of this room; its `arrived` is the outcome's own time."""
    match outcome:
        case Verdict():
            topic = topics.tree_topic(room, outcome.tree)
            return _retained(topic, verdict_dict(outcome), outcome.time, outcome.valid_until)
        case RackStatus():
            topic = topics.rack_topic(room, outcome.rack)
            return _retained(topic, rack_dict(outcome), outcome.time, outcome.valid_until)
        case DayPlan():
            return _retained(topics.plan_topic(room), plan_dict(outcome), outcome.time, outcome.valid_until)
        case TreeGone():
            # A retained message without payload deletes the one that stands (MQTT 5, section 3.3.1.3).
            return Message(outcome.time, topics.tree_topic(room, outcome.tree), b"", retain=True, qos=QOS)
        case Alert():
            return Message(outcome.time, topics.alert_topic(room), to_payload(alert_dict(outcome)), qos=QOS)


def service_state(room: str, state: Literal["online", "offline"], time: datetime) -> Message:
    """The service's own word on itself."""
    return _retained(topics.service_topic(room), {"state": state, "time": stamp(time)}, time)


def last_will(room: str, time: datetime) -> Message:
    """What the broker says for us when we are gone; without a time, for only the broker will know it."""
    return _retained(topics.service_topic(room), {"state": "offline"}, time)


def received(room: str, device: str, boot: str, seq: int, time: datetime) -> Message:
    """Tells a node up to which number all of its readings of this boot are on disk."""
    return _retained(topics.received_topic(room, device), {"boot": boot_said(boot), "seq": seq}, time)


def verdict_dict(verdict: Verdict) -> dict[str, Any]:
    """A verdict as it stands on its tree's topic."""
    return {
        "time": stamp(verdict.time),
        "valid_until": stamp(verdict.valid_until),
        "tree": verdict.tree,
        "rack": verdict.rack,
        "coat": verdict.coat,
        "number": verdict.number,
        "dipped_at": stamp(verdict.dipped_at),
        "state": verdict.state.value,
        "safe_to_redip": verdict.safe_to_redip,
        "dryness": _bounds(verdict.dryness),
        "dry_at": _when(verdict.dry_at),
        "redip_by": _whole_second(verdict.redip_by),
        "reasons": [{"code": reason.code, "text": reason.text} for reason in verdict.reasons],
        "advice": verdict.advice or None,
        "shelter": verdict.shelter,
        "recipe": verdict.recipe or None,
        "next_coat": verdict.next_coat,
        **({"label": verdict.label} if verdict.label else {}),
    }


def rack_dict(rack: RackStatus) -> dict[str, Any]:
    """A rack as it stands on its topic."""
    return {
        "time": stamp(rack.time),
        "valid_until": stamp(rack.valid_until),
        "rack": rack.rack,
        "ready": rack.ready,
        "ready_at": None if rack.ready_at is None else _when(rack.ready_at),
        "waiting_for": rack.waiting_for,
        "trees": {tree: rack.trees[tree].value for tree in sorted(rack.trees)},
        "air": _air(rack.air),
    }


def plan_dict(plan: DayPlan) -> dict[str, Any]:
    """The plan as it stands on its topic."""
    return {
        "time": stamp(plan.time),
        "valid_until": stamp(plan.valid_until),
        "now": [_planned(dip) for dip in plan.now],
        "next": [_planned(dip) for dip in plan.next],
        "later": [_planned(dip) for dip in plan.later],
        "trees": {tree: {"finish": _when(finish)} for tree, finish in plan.finishes.items()},
        "air": {rack: _plan_air(told) for rack, told in plan.air.items()},
    }


def _plan_air(told: PlanAir) -> dict[str, Any]:
    """The air of a plan: degC, %RH, and m/s or the range that is assumed."""
    speed: dict[str, Any] = {"airflow_assumed": list(told.assumed)}
    if told.airflow is not None:
        speed = {"airflow": round(told.airflow, 2)}
    return {"temperature": round(told.temperature_c, 1), "humidity": round(told.humidity_pct, 1), **speed}


def _planned(dip: PlannedDip) -> dict[str, Any]:
    return {
        "tree": dip.tree,
        "coat": dip.coat,
        "number": dip.number,
        "rack": dip.rack,
        "at": stamp(dip.at, "seconds"),
        "from": _when(dip.allowed),
        "until": _whole_second(dip.until),
        **({"dry": {"best": _whole_second(dip.dry.best), "late": _whole_second(dip.dry.late)}} if dip.dry else {}),
        **({"note": dip.note} if dip.note else {}),
        **({"label": dip.label} if dip.label else {}),
    }


def alert_dict(alert: Alert) -> dict[str, Any]:
    """An alert as it is said."""
    return {
        "time": stamp(alert.time),
        "id": alert.id,
        "kind": alert.kind,
        "subject": alert.subject,
        "severity": alert.severity,
        "state": alert.state,
        "text": alert.text,
    }


def sensor_dict(sensor: SensorStatus) -> dict[str, Any]:
    """A sensor's last word, for `status --json`."""
    return {
        "place": sensor.place,
        "quantity": sensor.quantity,
        "sensor": sensor.sensor,
        "time": stamp(sensor.time),
        "value": sensor.value,
        "unit": sensor.unit,
        "state": sensor.state,
    }


_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(", ", ": "))


def to_payload(content: Mapping[str, Any]) -> bytes:
    """UTF-8 JSON, keys in their order; a number that is not finite is our own fault: ValueError."""
    return _ENCODER.encode(content).encode()


def _retained(topic: str, content: Mapping[str, Any], time: datetime, valid_until: datetime | None = None) -> Message:
    expiry = None if valid_until is None else _expiry_s(valid_until - time)
    return Message(time, topic, to_payload(content), retain=True, qos=QOS, expiry_s=expiry)


def _expiry_s(left: timedelta) -> int:
    """Whole seconds, rounded down, so that nothing outlives its validity; at least one."""
    return min(max(int(left.total_seconds()), 1), LONGEST_EXPIRY_S)


def _bounds(bounds: Bounds | None) -> dict[str, float] | None:
    if bounds is None:
        return None
    return {name: round(getattr(bounds, name), 4) for name in ("low", "best", "high")}


def _when(when: When) -> dict[str, str | None]:
    return {
        "early": _whole_second(when.early),
        "best": _whole_second(when.best),
        "late": _whole_second(when.late),
    }


def _whole_second(moment: datetime | None) -> str | None:
    """A forecast is not worth its fractions of a second."""
    return None if moment is None else stamp(moment, "seconds")


def _air(air: AirNow) -> dict[str, float | bool | None]:
    return {
        "temperature_c": _rounded(air.temperature_c, 2),
        "humidity_pct": _rounded(air.humidity_pct, 2),
        "airflow_m_per_s": _rounded(air.airflow_m_per_s, 3),
        "pressure_pa": _rounded(air.pressure_pa, 0),
        "airflow_assumed": air.airflow_assumed,
        **{name.key: round(value, name.digits) for name, value in recorded_in(air)},
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
