"""What a home holds, as CSV for any spreadsheet: readings, the log, verdicts, alarms.

Times are RFC 3339 in UTC, with microseconds only where there are any; numbers have every digit that they are stored
with. Cells of free text that a spreadsheet would take for a formula get an apostrophe in front (the usual advice
against CSV injection, OWASP).
"""

import csv
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any, TextIO

from drymon.drying.quantities import LIMITS
from drymon.shop.events import LogEvent
from drymon.shop.outcome import Verdict
from drymon.store.codec import EVENT_KINDS
from drymon.store.store import Store

READING_COLUMNS = ("time", "place", "quantity", "sensor", "value", "unit")
LOG_COLUMNS = (
    *("time", "event", "tree", "rack", "coat", "number", "shelter", "cell", "probe", "recipe"),
    *("mass", "finding", "on", "known", "note", "id", "by", "arrived"),
)
VERDICT_COLUMNS = (
    *("time", "tree", "rack", "coat", "number", "dipped_at", "state", "safe_to_redip"),
    *("dryness_low", "dryness_best", "dryness_high", "dry_at_early", "dry_at_best", "dry_at_late"),
    *("redip_by", "reasons", "text"),
)
ALARM_COLUMNS = ("time", "id", "kind", "subject", "severity", "state", "text")

_EVENT_OF = {event: kind for kind, event in EVENT_KINDS.items()}
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def export_readings(store: Store, out: TextIO, from_: datetime | None = None, to: datetime | None = None) -> int:
    """Readings with from_ <= time < to in default units; returns how many.

    A retained value without a time of its own is left out: nobody knows when it was measured.
    """
    readings = (r for r in store.readings(from_, to) if r.timed or not r.retained)
    rows = ((r.time, r.place, r.quantity.value, r.sensor, r.value, LIMITS[r.quantity].unit) for r in readings)
    return _write(out, READING_COLUMNS, rows)


def export_log(store: Store, out: TextIO, from_: datetime | None = None, to: datetime | None = None) -> int:
    """Log events with from_ <= time < to; a column that an event does not have stays empty."""
    return _write(out, LOG_COLUMNS, (_log_row(event) for event in store.events(from_, to)))


def export_verdicts(store: Store, out: TextIO, from_: datetime | None = None, to: datetime | None = None) -> int:
    """The verdict history with from_ <= time < to."""
    return _write(out, VERDICT_COLUMNS, (_verdict_row(verdict) for verdict in store.verdict_history(None, from_, to)))


def export_alarms(store: Store, out: TextIO, from_: datetime | None = None, to: datetime | None = None) -> int:
    """Alerts with from_ <= time < to, raised and cleared."""
    rows = ((a.time, a.id, a.kind, a.subject, a.severity, a.state, a.text) for a in store.alerts(from_, to))
    return _write(out, ALARM_COLUMNS, rows)


def cell(value: Any) -> str:
    """One value as a cell."""
    match value:
        case None:
            return ""
        case bool():
            return "true" if value else "false"
        case datetime():
            return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
        case float():
            return repr(value)
        case int():
            return str(value)
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA) else text


def _write(out: TextIO, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> int:
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    count = 0
    for row in rows:
        writer.writerow([cell(value) for value in row])
        count += 1
    return count


def _log_row(event: LogEvent) -> list[Any]:
    known = {**asdict(event), "event": _EVENT_OF[type(event)]}
    return [known.get(column) for column in LOG_COLUMNS]


def _verdict_row(verdict: Verdict) -> list[Any]:
    dryness, when = verdict.dryness, verdict.dry_at
    shares = (None, None, None) if dryness is None else (dryness.low, dryness.best, dryness.high)
    return [
        *(verdict.time, verdict.tree, verdict.rack, verdict.coat, verdict.number, verdict.dipped_at),
        *(verdict.state.value, verdict.safe_to_redip, *shares, when.early, when.best, when.late, verdict.redip_by),
        " ".join(reason.code for reason in verdict.reasons),
        " / ".join(reason.text for reason in verdict.reasons),
    ]
