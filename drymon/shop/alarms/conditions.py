"""What holds now: the standing of trees, racks and sensors, read as conditions for the alarm book.

One condition per needed response: a dead sensor under forty trees is one, and their unknown states raise nothing of
their own. Where evidence is missing a condition is unclear, which neither raises nor clears. The "ready" notices are
the exception on the safe side: withdrawn as soon as anything about them is unknown.
"""

from collections.abc import Collection, Iterable, Iterator
from datetime import datetime, timedelta
from functools import lru_cache

from drymon.drying.quantities import RECORDED
from drymon.shop.alarms.alarm_book import Condition, Key, Truth, is_of_service
from drymon.shop.alarms.alarm_kinds import DEADBAND, SLIGHT, WINDOW_NOTICE
from drymon.shop.alarms.sensor_conditions import sensor_conditions
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import DoubtKind, RackStatus, Standing, State, Verdict, gravest
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.facts.sensor_state import SensorState
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.verdict.reasons import REASONS, Effect, codes_of, effect_of

_SURVEYED = {"rack-ready", "tree-ready", "window-closing", "tree-hold", "redipped-early", "air-out-of-band"}
"""Kinds whose subjects are all named in a standing: a cause that is not named any more is gone."""

_NAMES = {
    "temperature_c": ("temperature", "°C"),
    "humidity_pct": ("humidity", "%RH"),
    "airflow_m_per_s": ("air speed", "m/s"),
    **{row.key: (row.name, row.unit) for row in RECORDED.values()},
}


def conditions(standing: Standing, setup: RoomSetup, watched: Collection[Key] = ()) -> list[Condition]:
    """What holds, is clear or cannot be told at `standing.time`.

    watched: the causes that the book holds entries of; needed to say that those of a tree that left are gone.
    """
    found = [
        *_tree_conditions(standing, setup),
        *(condition for rack in standing.racks.values() for condition in _rack(rack)),
        *_air_conditions(standing, setup),
        *sensor_conditions(standing, setup),
        *_doubts(standing, watched),
        _clock(standing),
    ]
    named = {condition.key for condition in found}
    gone = (key for key in watched if key.kind in _SURVEYED and key not in named)
    return found + [Condition(key, Truth.CLEAR) for key in sorted(gone)]


def _tree_conditions(standing: Standing, setup: RoomSetup) -> Iterator[Condition]:
    for verdict in standing.trees.values():
        yield from _tree(verdict, _window(verdict, standing.time), setup.timezone)


@lru_cache(maxsize=1024)
def _tree(verdict: Verdict, window: Truth | None, timezone: str) -> tuple[Condition, ...]:
    """Kept, as a verdict stands for minutes while the alarms are looked at in each."""
    return tuple(_of_verdict(verdict, window, timezone))


def _of_verdict(verdict: Verdict, window: Truth | None, timezone: str) -> Iterator[Condition]:
    now = verdict.time
    occasion = f"{verdict.number}@{verdict.dipped_at.isoformat().replace('+00:00', 'Z')}"
    name = f"Tree {verdict.called} (coat {verdict.number}, {verdict.coat}, on {verdict.rack})"

    def condition(kind: str, truth: Truth, what: str, by: str = "") -> Condition:
        return Condition(Key(kind, verdict.tree, occasion), truth, what, by)

    unknown = verdict.state is State.UNKNOWN
    if verdict.state is State.READY:
        yield condition(
            "tree-ready", Truth.HOLDS, f"{name} is ready for {_next(verdict)}.", _deadline(verdict, now, timezone)
        )
    if verdict.state is State.HOLD or unknown:
        yield _hold(verdict, Key("tree-hold", verdict.tree, occasion), name)
    yield from _early(verdict, occasion, f"{name}, dipped at {say(verdict.dipped_at, now, timezone)}")
    if window is not None:
        yield condition(
            "window-closing",
            window,
            f"{name} has nearly reached its longest wait.",
            _deadline(verdict, now, timezone),
        )


def _hold(verdict: Verdict, key: Key, name: str) -> Condition:
    """As grave as the gravest of its reasons, with what to look for."""
    held = [reason for reason in verdict.reasons if effect_of(reason) is Effect.HOLD]
    why = "; ".join(reason.text for reason in held) or "see its reasons"
    looks = "; ".join(dict.fromkeys(filter(None, (REASONS[code].look_for for code in codes_of(held, Effect.HOLD)))))
    what = f"{name} is on hold: {why.rstrip('.')}." + (f" Signs to look for: {looks}." if looks else "")
    truth = Truth.UNCLEAR if verdict.state is State.UNKNOWN else Truth.HOLDS
    graded = [reason.severity for reason in held if reason.severity is not None]
    return Condition(key, truth, what, "Do it before any further dip.", gravest(graded) if graded else None)


def _early(verdict: Verdict, occasion: str, name: str) -> Iterator[Condition]:
    """A dip that shut much water in is a danger of its own. What was nearly dry is told once a tree, however many of
    its coats were: its next early dip is the same habit.
    """
    keys = {True: Key("redipped-early", verdict.tree, occasion), False: Key("redipped-early", verdict.tree)}
    for reason in verdict.reasons:
        if reason.code == ReasonCode.REDIPPED_EARLY:
            grave = reason.severity in ("danger", None)
            yield Condition(keys[grave], Truth.HOLDS, f"{name}: {reason.text}.", severity=reason.severity)
            return
    if verdict.state is State.UNKNOWN:
        yield from (Condition(key, Truth.UNCLEAR) for key in keys.values())


def _deadline(verdict: Verdict, now: datetime, timezone: str) -> str:
    return f"Redip by {say(verdict.redip_by, now, timezone)}." if verdict.redip_by else ""


def _next(verdict: Verdict) -> str:
    return f"its next coat, {verdict.next_coat}" if verdict.next_coat else "its next coat"


def _window(verdict: Verdict, now: datetime) -> Truth | None:
    """None: no window is closing (past it the tree is on hold, which has an alarm of its own)."""
    if verdict.state is State.COMPLETE:
        return None
    if verdict.redip_by is None:
        return Truth.UNCLEAR if verdict.state is State.UNKNOWN else None
    if now >= verdict.redip_by:
        return None  # past it the tree is on hold, or somebody has looked
    ahead: timedelta = min(WINDOW_NOTICE, (verdict.redip_by - verdict.dipped_at) / 4)
    return Truth.HOLDS if now >= verdict.redip_by - ahead else None


def _rack(rack: RackStatus) -> Iterator[Condition]:
    if rack.ready:
        ready = sorted(tree for tree, state in rack.trees.items() if state is State.READY)
        count = "one tree" if len(ready) == 1 else f"{len(ready)} trees"
        what = f"Rack {rack.rack} is ready: {count} ({_names(ready)})."
        yield Condition(Key("rack-ready", rack.rack), Truth.HOLDS, what)


def _names(names: list[str]) -> str:
    shown = ", ".join(names[:8])
    return shown if len(names) <= 8 else f"{shown} and {len(names) - 8} more"


def _air_conditions(standing: Standing, setup: RoomSetup) -> Iterator[Condition]:
    """A condition for each rack and quantity that a coat hanging there sets a band for."""
    coats = setup.coat_by_name
    for rack in standing.racks.values():
        hanging = {
            verdict.coat
            for verdict in standing.trees.values()
            if verdict.rack == rack.rack and verdict.state is not State.COMPLETE and verdict.coat in coats
        }
        for field in DEADBAND:
            bands = {name: getattr(coats[name].room, field) for name in sorted(hanging)}
            judged = [_band(rack, field, name, band) for name, band in bands.items() if band is not None]
            yield from judged  # of several coats the worst one counts: the book takes the strongest


def _band(rack: RackStatus, field: str, coat: str, band: tuple[float, float]) -> Condition:
    name, unit = _NAMES[field]
    key = Key("air-out-of-band", rack.rack, name.replace(" ", "-"))
    value: float | None = getattr(rack.air, field)
    if value is None or (field == "airflow_m_per_s" and rack.air.airflow_assumed):
        return Condition(key, Truth.UNCLEAR)
    low, high = band
    side = "below" if value < low else "above" if value > high else "back in"
    recorded = next((row for row in RECORDED.values() if row.key == field), None)
    whose = f"asked for while {coat} dries" if recorded else f"that {coat} needs"
    is_now = f"{value:.{recorded.digits}f}" if recorded else f"{value:.3g}"
    what = f"The {name} at {rack.rack} is {is_now} {unit}, {side} the {low:g} to {high:g} {unit} {whose}."
    inside = min(DEADBAND[field], (high - low) / 4)
    if side != "back in":
        far = max(low - value, value - high) > SLIGHT * (high - low)
        urgent = "Do it within the hour; prime coats cannot wait." if far else ""
        by = recorded.to_do if recorded else urgent
        return Condition(key, Truth.HOLDS, what, by, "warning" if far else "notice")
    settled = low + inside <= value <= high - inside
    return Condition(key, Truth.CLEAR if settled else Truth.UNCLEAR, what)


def _doubts(standing: Standing, watched: Iterable[Key]) -> Iterator[Condition]:
    """Doubts on cells and models; one that is not named any more is gone, unless its cell is silent.

    One on a model's file is the service's to tell.
    """
    named = {(doubt.kind, doubt.subject) for doubt in standing.doubts}
    for doubt in standing.doubts:
        yield Condition(Key(doubt.kind, doubt.subject), Truth.HOLDS, doubt.text, "Do it before you rely on it again.")
    heard = {sensor.sensor for sensor in standing.sensors if sensor.state is SensorState.OK}
    for key in watched:
        if key.kind in (DoubtKind.CELL, DoubtKind.MODEL) and not is_of_service(key) and key[:2] not in named:
            told = key.kind == DoubtKind.MODEL or key.subject in heard
            yield Condition(key, Truth.CLEAR if told else Truth.UNCLEAR)


def _clock(standing: Standing) -> Condition:
    truth = Truth.CLEAR if standing.clock_known else Truth.HOLDS
    return Condition(
        Key("clock-unknown", "clock"),
        truth,
        "The time of day is not known since the last start.",
        "Do it now.",
    )
