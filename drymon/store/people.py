"""People and what they decided: page users, the audit trail, runs left out of fits."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from drymon.store.codec import from_us, to_us, within
from drymon.store.database import Database
from drymon.store.engine import upsert


@dataclass(frozen=True, slots=True)
class User:
    """Somebody who may act on the page.

    hash: the password's scrypt hash as text, never the password. owner: may set up the room and its people, too.
    """

    name: str
    hash: str
    created: datetime
    owner: bool = False


@dataclass(frozen=True, slots=True)
class AuditLine:
    """Who did what, when."""

    time: datetime
    who: str
    what: str
    detail: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A run that people keep out of fits."""

    run: str
    reason: str
    by: str
    time: datetime


class People(Database):
    """The part of the store that keeps people's decisions; nothing here is ever deleted by age."""

    def save_user(self, name: str, hash: str, created: datetime) -> None:
        """Add a user, or give an existing one a new password hash."""
        with self.transaction():
            self._db.execute(
                'INSERT INTO "user" (name, hash, created) VALUES (?, ?, ?) '
                "ON CONFLICT (name) DO UPDATE SET hash = excluded.hash",
                (name, hash, to_us(created)),
            )

    def set_owner(self, name: str, owner: bool) -> None:
        """Let a user set up the room, or not."""
        with self.transaction():
            self._db.execute('UPDATE "user" SET owner = ? WHERE name = ?', (int(owner), name))

    def remove_user(self, name: str) -> bool:
        """Take a user's access away; False where there is none of that name."""
        with self.transaction():
            return self._db.execute('DELETE FROM "user" WHERE name = ?', (name,)) == 1

    def user(self, name: str) -> User | None:
        """The user of that name."""
        row = self._row('SELECT name, hash, created, owner FROM "user" WHERE name = ?', (name,))
        return None if row is None else User(row[0], row[1], from_us(row[2]), bool(row[3]))

    def users(self) -> list[User]:
        """All users, by name."""
        rows = self._rows('SELECT name, hash, created, owner FROM "user" ORDER BY name')
        return [User(row[0], row[1], from_us(row[2]), bool(row[3])) for row in rows]

    def add_audit(self, time: datetime, who: str, what: str, detail: str = "") -> None:
        """Add a line to the audit trail, which nobody deletes."""
        with self.transaction():
            row = (to_us(time), who, what, detail)
            self._db.execute("INSERT INTO audit (time, who, what, detail) VALUES (?, ?, ?, ?)", row)

    def audit(self, from_: datetime | None = None, to: datetime | None = None) -> Iterator[AuditLine]:
        """The audit trail with from_ <= time < to, in the order it was written."""
        where, values = within("time", from_, to)
        rows = self._rows(f"SELECT time, who, what, detail FROM audit WHERE {where} ORDER BY id", values)
        return (AuditLine(from_us(row[0]), *row[1:]) for row in rows)

    def leave_run_out(self, left_out: LeftOut) -> None:
        """Keep a run out of fits; said again, the newer reason holds."""
        with self.transaction():
            row = (left_out.run, left_out.reason, left_out.by, to_us(left_out.time))
            self._db.execute(upsert("run_left_out", "run, reason, who, time", "run"), row)

    def take_run_back(self, run: str) -> bool:
        """Let a run count again; False where it was not left out."""
        with self.transaction():
            return self._db.execute("DELETE FROM run_left_out WHERE run = ?", (run,)) == 1

    def runs_left_out(self) -> dict[str, LeftOut]:
        """The runs left out, by run."""
        rows = self._rows("SELECT run, reason, who, time FROM run_left_out ORDER BY run")
        return {row[0]: LeftOut(row[0], row[1], row[2], from_us(row[3])) for row in rows}
