"""The alarm book's vocabulary: conditions, the entries they make, and what people have silenced.

The states are those of ANSI/ISA-18.2 and IEC 62682.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Literal, NamedTuple

from drymon.errors import AlarmError
from drymon.shop.alarms.alarm_kinds import KINDS, SERVICE_KINDS, AlarmKind
from drymon.shop.facts.outcome import DoubtKind, Severity


class Truth(StrEnum):
    """What is known of a condition at an instant."""

    HOLDS = "holds"
    CLEAR = "clear"
    UNCLEAR = "unclear"


class Key(NamedTuple):
    """One cause: a kind, its subject and the occasion (say, the dip) that it belongs to."""

    kind: str
    subject: str
    occasion: str = ""


OF_FILE = "file"
"""The occasion of a doubt on a model's file, as opposed to one that weights raise."""


def is_of_service(key: Key) -> bool:
    """Whether the service itself reports the cause, as opposed to what is judged from the room."""
    return key.kind in SERVICE_KINDS or (key.kind == DoubtKind.MODEL and key.occasion == OF_FILE)


@dataclass(frozen=True, slots=True)
class Condition:
    """A cause and whether it holds now. `what`: sentences for people; `by`: by when to act, as a sentence.

    severity: how far from safe it is; None: as its kind.
    """

    key: Key
    truth: Truth
    what: str = ""
    by: str = ""
    severity: Severity | None = None

    @property
    def grade(self) -> Severity:
        """Its severity, or its kind's."""
        return self.severity or KINDS[self.key.kind].severity


class AlarmState(StrEnum):
    """Where an alarm or notice stands. PENDING: its on-delay runs; to people it is still normal."""

    PENDING = "pending"
    UNACKNOWLEDGED = "active-unacknowledged"
    ACKNOWLEDGED = "active-acknowledged"
    RETURNED = "returned-unacknowledged"
    SHELVED = "shelved"
    OUT_OF_SERVICE = "out-of-service"


@dataclass(frozen=True, slots=True)
class Entry:
    """An alarm or notice in the book.

    phase: pending (on-delay runs), active, or returned (gone, but nobody has acknowledged it).
    held_since: start of the on-delay; gone_since: start of the off-delay; None where none runs.
    severity: the gravest that it has been; told_as: the one last told, None before.
    told_at: when it was last said; None while it waits for a shelf to end.
    announced: a raised alert of this id is out, so a cleared one must follow.
    """

    key: Key
    what: str
    by: str
    severity: Severity
    phase: Literal["pending", "active", "returned"] = "pending"
    held_since: datetime | None = None
    gone_since: datetime | None = None
    id: str = ""
    raised_at: datetime | None = None
    cleared_at: datetime | None = None
    told_at: datetime | None = None
    announced: bool = False
    acknowledged_at: datetime | None = None
    acknowledged_by: str = ""
    told_as: Severity | None = None

    @property
    def kind(self) -> AlarmKind:
        """Its row of the table."""
        return KINDS[self.key.kind]

    @property
    def is_alarm(self) -> bool:
        """True where a person must acknowledge it."""
        return self.severity != "notice"

    @property
    def unacknowledged(self) -> bool:
        """True for an alarm that still waits for a person; never for a notice."""
        return self.is_alarm and self.acknowledged_at is None


@dataclass(frozen=True, slots=True)
class Pause:
    """A shelf (with `until`) or out of service (until None): who said so, when and why."""

    by: str
    reason: str
    since: datetime
    until: datetime | None


Subject = tuple[str, str]
"""Kind and subject: what is shelved or taken out of service, whatever the occasion."""


@dataclass(frozen=True, slots=True)
class AlarmBook:
    """All alarms and notices that are not normal, and what is paused.

    now: its last instant; ids: those given at that instant, so that none is given twice.
    """

    entries: Mapping[Key, Entry] = field(default_factory=dict)
    pauses: Mapping[Subject, Pause] = field(default_factory=dict)
    now: datetime | None = None
    ids: frozenset[str] = frozenset()

    def find(self, alarm_id: str) -> Entry:
        """The entry of that id. Raises AlarmError where none is in the book."""
        for entry in self.entries.values():
            if entry.id == alarm_id != "":
                return entry
        known = ", ".join(entry.id for entry in self.entries.values() if entry.id) or "none"
        raise AlarmError(
            f"no alarm with id {alarm_id!r} stands now (standing: {known}); "
            "it may be cleared and acknowledged already: list the alarms again"
        )

    def state(self, entry: Entry) -> AlarmState:
        """Where an entry of this book stands."""
        pause = self.pauses.get(entry.key[:2])
        if pause is not None:
            return AlarmState.SHELVED if pause.until else AlarmState.OUT_OF_SERVICE
        if entry.phase == "pending":
            return AlarmState.PENDING
        if entry.phase == "returned":
            return AlarmState.RETURNED
        return AlarmState.UNACKNOWLEDGED if entry.unacknowledged else AlarmState.ACKNOWLEDGED

    def over(self) -> list[Entry]:
        """Alarms that have gone, that nobody has acknowledged and nobody silenced, oldest first."""
        return [entry for entry in self.standing() if self.state(entry) is AlarmState.RETURNED]

    def standing(self) -> list[Entry]:
        """Entries for people to see, oldest first: all but those whose on-delay still runs."""
        shown = [entry for entry in self.entries.values() if entry.raised_at is not None]
        return sorted(shown, key=lambda entry: (entry.raised_at, entry.id))
