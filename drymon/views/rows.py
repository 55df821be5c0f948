"""The record as rows for a CSV file: readings, log, verdicts, alarms. Full precision, times in UTC, default units."""

from collections.abc import Iterable, Iterator
from dataclasses import asdict
from datetime import datetime
from itertools import chain

from drymon.drying.quantities import LIMITS
from drymon.messages.times import stamp
from drymon.shop.events import LogEvent
from drymon.shop.outcome import Alert, Verdict
from drymon.shop.reading import Reading

Row = tuple[str | int | float, ...]

READING_COLUMNS = ("time", "place", "quantity", "sensor", "value", "unit")
LOG_COLUMNS = (
    "time", "arrived", "event", "tree", "rack", "coat", "number", "shelter", "cell", "probe", "recipe", "mass",
    "finding", "note", "on", "known", "by", "id",
)  # fmt: skip
VERDICT_COLUMNS = (
    "time", "valid_until", "tree", "rack", "coat", "number", "dipped_at", "state", "safe_to_redip",
    "dryness_low", "dryness_best", "dryness_high", "dry_at_early", "dry_at_best", "dry_at_late", "redip_by", "reasons",
)  # fmt: skip
EVENT_NAMES = {"FanSwitched": "fan", "ClockChecked": "clock"}
"""Where the topic's word is not the class's name in small letters."""

ALARM_COLUMNS = ("time", "id", "kind", "subject", "severity", "state", "text")


def reading_rows(readings: Iterable[Reading]) -> Iterator[Row]:
    """One row a reading; floats are written with all their digits."""
    return chain(
        [READING_COLUMNS],
        (
            (stamp(r.time), r.place, r.quantity.value, r.sensor, repr(r.value), LIMITS[r.quantity].unit)
            for r in readings
        ),
    )


def log_rows(events: Iterable[LogEvent]) -> Iterator[Row]:
    """One row a log event; what an event does not have is empty."""
    return chain([LOG_COLUMNS], (_log_row(event) for event in events))


def verdict_rows(verdicts: Iterable[Verdict]) -> Iterator[Row]:
    """One row a verdict; reasons are their codes, joined by semicolons."""
    return chain([VERDICT_COLUMNS], (_verdict_row(verdict) for verdict in verdicts))


def alarm_rows(alerts: Iterable[Alert]) -> Iterator[Row]:
    """One row an alert, raised or cleared."""
    return chain(
        [ALARM_COLUMNS],
        ((stamp(a.time), a.id, a.kind, a.subject, a.severity, a.state, a.text) for a in alerts),
    )


def _log_row(event: LogEvent) -> Row:
    facts = asdict(event) | {"event": EVENT_NAMES.get(type(event).__name__, type(event).__name__.lower())}
    return tuple(_cell(facts.get(column)) for column in LOG_COLUMNS)


def _verdict_row(v: Verdict) -> Row:
    dryness = (v.dryness.low, v.dryness.best, v.dryness.high) if v.dryness else ("", "", "")
    dry_at = (v.dry_at.early, v.dry_at.best, v.dry_at.late)
    head = (v.time, v.valid_until, v.tree, v.rack, v.coat, v.number, v.dipped_at, v.state.value, v.safe_to_redip)
    reasons = ";".join(reason.code for reason in v.reasons)
    return tuple(_cell(value) for value in (*head, *dryness, *dry_at, v.redip_by, reasons))


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return stamp(value)
    return repr(value) if isinstance(value, float) else str(value)
