"""The record as rows for a CSV file: readings, log, verdicts, alarms. Full precision, times in UTC, default units.

Text that a spreadsheet would take for a formula gets an apostrophe in front (OWASP, CSV injection).
"""

from collections.abc import Iterable, Iterator
from dataclasses import asdict
from datetime import datetime
from itertools import chain

from drymon.drying.quantities import LIMITS, Quantity
from drymon.messages.times import stamp
from drymon.shop.facts.events import LogEvent, TankEvent, TreeEvent
from drymon.shop.facts.outcome import Alert, Verdict
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.standing import entry_of
from drymon.store import Bucket, Channel
from drymon.store.codec import EVENT_KINDS

Row = tuple[str, ...]

READING_COLUMNS = ("time", "place", "quantity", "sensor", "value", "unit")
ROLLED_COLUMNS = ("start", "place", "quantity", "sensor", "low", "mean", "high", "count", "unit")
LOG_COLUMNS = (
    "time", "arrived", "event", "tree", "rack", "coat", "number", "shelter", "cell", "probe", "recipe", "mass",
    "finding", "note", "on", "known", "by", "id", "entry", "slurry", "coats", "cup", "seconds", "temperature",
    "density", "ph", "water_added", "stirred", "fresh",
)  # fmt: skip
VERDICT_COLUMNS = (
    "time", "valid_until", "tree", "rack", "coat", "number", "dipped_at", "state", "safe_to_redip",
    "dryness_low", "dryness_best", "dryness_high", "dry_at_early", "dry_at_best", "dry_at_late", "redip_by", "reasons",
)  # fmt: skip
ALARM_COLUMNS = ("time", "id", "kind", "subject", "severity", "state", "text")

EVENT_NAMES = {event: kind for kind, event in EVENT_KINDS.items()}
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What a formula may begin with; the last four are = + - @ in full width."""


def reading_rows(readings: Iterable[Reading]) -> Iterator[Row]:
    """One row a reading; floats are written with all their digits.

    A retained value without a time of its own is left out: nobody knows when it was measured.
    """
    known = (r for r in readings if r.timed or not r.retained)
    rows = ((r.time, r.place, r.quantity.value, r.sensor, r.value, LIMITS[r.quantity].unit) for r in known)
    return _table(READING_COLUMNS, rows)


def rolled_rows(rolled: Iterable[tuple[Channel, Bucket]]) -> Iterator[Row]:
    """One row a minute, or an hour, of each channel; floats are written with all their digits."""
    rows = (
        (b.start, *channel, b.low, b.mean, b.high, b.count, LIMITS[Quantity(channel.quantity)].unit)
        for channel, b in rolled
    )
    return _table(ROLLED_COLUMNS, rows)


def log_rows(events: Iterable[LogEvent]) -> Iterator[Row]:
    """One row a log event; what an event does not have is empty."""
    facts = (asdict(event) | {"event": EVENT_NAMES[type(event)], "id": _entry(event)} for event in events)
    return _table(LOG_COLUMNS, (tuple(fact.get(column) for column in LOG_COLUMNS) for fact in facts))


def _entry(event: LogEvent) -> str:
    """What an undo may call it by."""
    return entry_of(event) if isinstance(event, TreeEvent | TankEvent) else event.id


def verdict_rows(verdicts: Iterable[Verdict]) -> Iterator[Row]:
    """One row a verdict; reasons are their codes, joined by semicolons."""
    return _table(VERDICT_COLUMNS, (_of_verdict(verdict) for verdict in verdicts))


def alarm_rows(alerts: Iterable[Alert]) -> Iterator[Row]:
    """One row an alert, raised or cleared."""
    return _table(ALARM_COLUMNS, ((a.time, a.id, a.kind, a.subject, a.severity, a.state, a.text) for a in alerts))


def cell(value: object) -> str:
    """One value as a cell; "" for None."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return stamp(value)
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, tuple):
        return cell(";".join(map(str, value)))
    return f"'{value}" if str(value).startswith(FORMULA) else str(value)


def _table(columns: Row, rows: Iterable[tuple[object, ...]]) -> Iterator[Row]:
    return chain([columns], (tuple(cell(value) for value in row) for row in rows))


def _of_verdict(v: Verdict) -> tuple[object, ...]:
    dryness = (v.dryness.low, v.dryness.best, v.dryness.high) if v.dryness else (None, None, None)
    dry_at = (v.dry_at.early, v.dry_at.best, v.dry_at.late)
    head = (v.time, v.valid_until, v.tree, v.rack, v.coat, v.number, v.dipped_at, v.state.value, v.safe_to_redip)
    return *head, *dryness, *dry_at, v.redip_by, ";".join(reason.code for reason in v.reasons)
