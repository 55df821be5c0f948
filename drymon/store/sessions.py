"""Who is signed in to the page: hashes only, so that the file lets nobody in."""

from dataclasses import dataclass
from datetime import datetime

from drymon.store.codec import from_us, to_us
from drymon.store.database import Database
from drymon.store.engine import upsert


@dataclass(frozen=True, slots=True)
class Session:
    """A browser that signed in. `hash`: of its session id; `proof`: of id and credential together, so that a changed
    password ends the session."""

    hash: str
    name: str
    proof: str
    created: datetime


class Sessions(Database):
    """The part of the store that keeps sessions."""

    def save_session(self, session: Session) -> None:
        """Keep a new session."""
        with self.transaction():
            row = (session.hash, session.name, session.proof, to_us(session.created))
            self._db.execute(upsert("session", "hash, name, proof, created", "hash"), row)

    def session(self, hash: str) -> Session | None:
        """The session with this hash; mind its age."""
        row = self._row("SELECT hash, name, proof, created FROM session WHERE hash = ?", (hash,))
        return None if row is None else Session(row[0], row[1], row[2], from_us(row[3]))

    def end_session(self, hash: str) -> None:
        """Sign out."""
        with self.transaction():
            self._db.execute("DELETE FROM session WHERE hash = ?", (hash,))

    def end_sessions_before(self, created: datetime) -> None:
        """Forget what is too old to be let in."""
        with self.transaction():
            self._db.execute("DELETE FROM session WHERE created < ?", (to_us(created),))
