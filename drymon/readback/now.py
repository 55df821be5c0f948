"""What may be said now from what was stored: never an old verdict as if it were fresh. Pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from drymon.drying.quantities import LIMITS
from drymon.messages.outgoing import rack_dict, sensor_dict, verdict_dict
from drymon.messages.times import stamp
from drymon.shop.facts.outcome import AirNow, DayPlan, RackStatus, Reason, SensorStatus, State, Verdict, When
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.facts.sensor_state import SensorState, is_silent
from drymon.shop.verdict.advice import unheard
from drymon.store.history import DoubtedSpan


@dataclass(frozen=True)
class RefusedLine:
    """A message that could not be understood."""

    time: datetime
    topic: str
    reason: str


@dataclass(frozen=True)
class Now:
    """All that `status` shows, fit to be shown: stale words are already unknown.

    online: the service runs. ages: per tree how long ago its last verdict was given.
    refused_count: of all messages ever refused; `refused` are the latest of them. plan: of coming dips, while it holds.
    """

    time: datetime
    online: bool
    trees: Sequence[Verdict]
    racks: Sequence[RackStatus]
    sensors: Sequence[SensorStatus] = ()
    refused_count: int = 0
    refused: Sequence[RefusedLine] = ()
    plan: DayPlan | None = None


def tree_now(verdict: Verdict, now: datetime, online: bool) -> Verdict:
    """The verdict as it stands, or `unknown` where the service is down or its validity has passed."""
    if online and now <= verdict.valid_until:
        return verdict
    return replace(
        verdict,
        state=State.UNKNOWN,
        dryness=None,
        dry_at=When(None, None, None),
        reasons=(Reason(ReasonCode.AIR_UNKNOWN, _why(verdict, now, online)),),
        advice=unheard(online),
    )


def rack_now(rack: RackStatus, trees: Sequence[Verdict], now: datetime, online: bool) -> RackStatus:
    """The rack as it stands; with the service down, or too old, nothing is ready, no air known.

    trees: the verdicts as `tree_now` has left them; the rack's word on a tree is never better than the tree's.
    """
    states = {tree: State.UNKNOWN for tree in rack.trees} | {
        verdict.tree: verdict.state for verdict in trees if verdict.tree in rack.trees
    }
    fresh = online and now <= rack.valid_until
    if fresh and states == dict(rack.trees):
        return rack
    air = rack.air if fresh else AirNow()
    return replace(rack, ready=False, ready_at=None, waiting_for=None, trees=states, air=air)


def sensor_status(reading: Reading, doubts: Sequence[DoubtedSpan]) -> SensorStatus:
    """A sensor's last reading with the doubt that lies on it, if any. doubts: spans as the store keeps them."""
    channel = (reading.place, reading.quantity.value, reading.sensor)
    codes = [d.code for d in doubts if tuple(d.channel) == channel and d.first <= reading.time <= d.last]
    unheard = SensorState.RETAINED if reading.retained and not reading.timed else SensorState.OK
    state = codes[-1] if codes else unheard
    return SensorStatus(
        *channel, time=reading.time, value=reading.value, unit=LIMITS[reading.quantity].unit, state=state
    )


def sensor_now(sensor: SensorStatus, now: datetime, stale_after: timedelta) -> SensorStatus:
    """A sensor whose last word is older than `stale_after` is silent, whatever it was before."""
    return replace(sensor, state=SensorState.SILENT) if is_silent(sensor.time, now, stale_after) else sensor


def as_json(now: Now) -> dict[str, Any]:
    """The document that `status --json` prints."""
    return {
        "time": stamp(now.time),
        "service": "online" if now.online else "offline",
        "trees": [
            {**verdict_dict(tree), "age_s": max(0, round((now.time - tree.time).total_seconds()))} for tree in now.trees
        ],
        "racks": [rack_dict(rack) for rack in now.racks],
        "sensors": [sensor_dict(sensor) for sensor in now.sensors],
        "refused": {
            "count": now.refused_count,
            "latest": [{"time": stamp(r.time), "topic": r.topic, "reason": r.reason} for r in now.refused],
        },
    }


def percent(share: float) -> str:
    """Whole percent of a share, rounded down: `61` for 0.619. A coat that needs 95 % and has 94.6 % must not read as
    dry. The reasons round the same way.
    """
    return f"{math.floor(100.0 * share)}"


def age(span: timedelta) -> str:
    """`4 min`, `3 h 10 min`, `2 days 3 h`: how long ago, to two units."""
    minutes = max(0, round(span / timedelta(minutes=1)))
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    units = ((days, "day" if days == 1 else "days"), (hours, "h"), (minutes, "min"))
    words = [f"{count} {unit}" for count, unit in units if count]
    return " ".join(words[:2]) or "less than a minute"


def _why(verdict: Verdict, now: datetime, online: bool) -> str:
    cause = "no newer verdict came" if online else "the service is not running"
    if verdict.time - now > timedelta(minutes=1):  # a record that was played, or a clock that was set back
        return f"{cause}; the last word is of a time that this computer's clock has not reached, and does not hold"
    return f"{cause}; the last word is {age(now - verdict.time)} old and no longer holds"
