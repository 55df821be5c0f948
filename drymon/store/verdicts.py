"""Outcomes: what drymon said of trees and racks, what it says now, and its alerts."""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta

from drymon.shop.facts.outcome import Alert, DayPlan, Outcome, RackStatus, TreeGone, Verdict
from drymon.store.codec import (
    VERDICT_COLUMNS,
    from_us,
    plan_body,
    plan_of,
    rack_body,
    rack_of,
    to_us,
    verdict_of,
    verdict_row,
    within,
)
from drymon.store.database import Database
from drymon.store.engine import upsert

HISTORY_EVERY = timedelta(minutes=5)
"""A verdict that changes nothing enters the history this often at most."""

_HOLES = ", ".join("?" * len(VERDICT_COLUMNS.split(",")))
_CURRENT = upsert("current_verdict", VERDICT_COLUMNS, "tree")
_SMALLEST_STEP = (HISTORY_EVERY - timedelta(seconds=5)) // timedelta(microseconds=1)


class Verdicts(Database):
    """The part of the store that keeps outcomes."""

    def add_outcomes(self, outcomes: Iterable[Outcome]) -> None:
        """Store outcomes in their order; a later one about the same tree or rack replaces what is current."""
        with self.transaction():
            for outcome in outcomes:
                self._add(outcome)

    def current_verdicts(self) -> list[Verdict]:
        """The last verdict of every tree in the room, by name, as stored: mind `valid_until`."""
        return [verdict_of(row) for row in self._rows(f"SELECT {VERDICT_COLUMNS} FROM current_verdict ORDER BY tree")]

    def current_racks(self) -> list[RackStatus]:
        """The last status of every rack, by name."""
        return [rack_of(row[0]) for row in self._rows("SELECT body FROM current_rack ORDER BY rack")]

    def current_plan(self) -> DayPlan | None:
        """The last plan, None before there was any; mind `valid_until`."""
        rows = list(self._rows("SELECT body FROM current_plan"))
        return plan_of(rows[0][0]) if rows else None

    def verdict_history(
        self, tree: str | None = None, from_: datetime | None = None, to: datetime | None = None
    ) -> Iterator[Verdict]:
        """Verdicts with from_ <= time < to, by time: every change of state, else one every 5 minutes."""
        where, values = within("time", from_, to)
        if tree is not None:
            where, values = f"{where} AND tree = ?", [*values, tree]
        rows = self._rows(f"SELECT {VERDICT_COLUMNS} FROM verdict WHERE {where} ORDER BY time, id", values)
        return (verdict_of(row) for row in rows)

    def verdicts_in_force(self, tree: str, from_: datetime) -> Iterator[Verdict]:
        """The verdicts that a later dip or look of the tree goes by, since `from_`, by time: changes of state and all
        holds, whose reasons may grow.
        """
        where = "tree = ? AND time >= ? AND (changed <> 0 OR state = 'hold')"
        rows = self._rows(
            f"SELECT {VERDICT_COLUMNS} FROM verdict WHERE {where} ORDER BY time, id", (tree, to_us(from_))
        )
        return (verdict_of(row) for row in rows)

    def alerts(self, from_: datetime | None = None, to: datetime | None = None) -> Iterator[Alert]:
        """Alerts with from_ <= time < to, in the order they were given."""
        where, values = within("time", from_, to)
        rows = self._rows(
            f"SELECT time, alert_id, kind, subject, severity, state, text FROM alert WHERE {where} ORDER BY id",
            values,
        )
        return (Alert(from_us(row[0]), *row[1:]) for row in rows)

    def _add(self, outcome: Outcome) -> None:
        match outcome:
            case Verdict():
                self._add_verdict(outcome)
            case RackStatus():
                row = (outcome.rack, rack_body(outcome))
                self._db.send(upsert("current_rack", "rack, body", "rack"), row)
            case DayPlan():
                self._db.send(upsert("current_plan", "id, body", "id"), (1, plan_body(outcome)))
            case TreeGone():
                self._db.send("DELETE FROM current_verdict WHERE tree = ?", (outcome.tree,))
            case Alert():
                self._add_alert(outcome)

    def _add_verdict(self, verdict: Verdict) -> None:
        row = verdict_row(verdict)
        self._db.send(_CURRENT, row)
        last = self._row(
            "SELECT time, state, number, dipped_at FROM verdict WHERE tree = ? ORDER BY time DESC, id DESC LIMIT 1",
            (verdict.tree,),
        )
        changed = last is None or last[1:] != (verdict.state.value, verdict.number, row[6])
        if last is None or changed or row[0] - last[0] >= _SMALLEST_STEP:
            self._db.execute(
                f"INSERT INTO verdict (changed, {VERDICT_COLUMNS}) VALUES (?, {_HOLES})", (int(changed), *row)
            )

    def _add_alert(self, alert: Alert) -> None:
        self._db.execute(
            "INSERT INTO alert (time, alert_id, kind, subject, severity, state, text) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (to_us(alert.time), alert.id, alert.kind, alert.subject, alert.severity, alert.state, alert.text),
        )
