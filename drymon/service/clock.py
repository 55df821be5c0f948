"""The clock, handed in: the wall's time, the machine's own running time, and what to believe when they
disagree.

A small computer without a battery clock starts with an old date and jumps when a time server answers. Nothing
below the service reads a clock, so all of that is settled here: stream time never runs backwards, and while
the wall clock cannot be right drymon says so in its own record.
"""

import ctypes
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Protocol

EARLIEST = datetime(2026, 1, 1, tzinfo=UTC)  # before drymon existed: a clock that says so has not been set
STEP = timedelta(seconds=60)  # a forward step larger than this is noted; smaller ones are ordinary corrections
BACKWARDS = timedelta(seconds=1)  # a time server's small corrections backwards are waited out in silence


class Clock(Protocol):
    """What the service may know of time. A test hands in its own: "the wall jumps, the running time does not"."""

    def wall(self) -> datetime:
        """The wall's time, aware UTC; may jump either way."""

    def monotonic(self) -> float:
        """Seconds since some start; never jumps."""

    def synchronised(self) -> bool:
        """Whether the system says that a time server (or the like) keeps its clock."""


class SystemClock:
    """The machine's own clocks."""

    def wall(self) -> datetime:
        """The wall's time, aware UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds since boot."""
        return time.monotonic()

    def synchronised(self) -> bool:
        """The kernel's own flag: adjtimex(2) answers TIME_ERROR (5) for a clock that nobody keeps."""
        try:
            room_for_timex = ctypes.create_string_buffer(
                512
            )  # struct timex is 208 bytes on 64-bit Linux; zeroed: read only
            answer: int = ctypes.CDLL(None).adjtimex(room_for_timex)
        except (OSError, AttributeError):  # no libc of that kind
            return False
        return 0 <= answer < 5


@dataclass(frozen=True, slots=True)
class ClockWord:
    """The service's word on its clock, for its own record. `time` is stream time."""

    time: datetime
    known: bool
    note: str


@dataclass
class StreamTime:
    """The times that messages are stamped with: the wall's, but never running backwards.

    last: the latest arrival on record (None: nothing on record). While the wall is behind it, or before 2026,
    stream time stands still and the clock is not known; both end when the wall has caught up.
    """

    clock: Clock
    last: datetime | None = None
    known: bool = True
    _now: datetime = field(init=False)
    _seen: tuple[datetime, float] = field(init=False)

    def __post_init__(self) -> None:
        self._now = max(self.last or EARLIEST, EARLIEST)
        self._seen = self.clock.wall(), self.clock.monotonic()

    def now(self) -> datetime:
        """Stream time: the wall's time, or the latest ever given where the wall is behind that."""
        self._now = max(self._now, self.clock.wall())
        return self._now

    def check(self) -> list[ClockWord]:
        """What has to be said since the last check: nothing, that the clock is no longer known, or that it is again."""
        before, stepped = self._now, self._step()
        wall = self.clock.wall()
        behind = self._now - wall
        if wall < EARLIEST or behind > BACKWARDS:
            return self._lost(_why_lost(wall, behind))
        words = []
        if stepped > STEP:  # the step itself is time that nobody saw pass: say so at its beginning
            words = self._lost(f"the clock stepped forward by {stepped.total_seconds():.0f} s", at=before)
        if not self.known:
            self.known = True
            words.append(ClockWord(self.now(), True, "the clock is right again"))
        return words

    def _lost(self, note: str, at: datetime | None = None) -> list[ClockWord]:
        if not self.known:
            return []
        self.known = False
        return [ClockWord(at or self.now(), False, note)]

    def _step(self) -> timedelta:
        """How far the wall moved beyond the running time since the last look."""
        (wall, running), self._seen = self._seen, (self.clock.wall(), self.clock.monotonic())
        return (self._seen[0] - wall) - timedelta(seconds=self._seen[1] - running)


def _why_lost(wall: datetime, behind: timedelta) -> str:
    says = f"{wall:%Y-%m-%dT%H:%M:%SZ}"
    if wall < EARLIEST:
        return f"the clock says {says}, before {EARLIEST:%Y}: it has not been set"
    return f"the clock says {says}, {behind.total_seconds():.0f} s before the latest message on record"
