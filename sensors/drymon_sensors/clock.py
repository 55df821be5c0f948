"""The clock, handed in: the wall's time, the machine's running time, and which of them to believe.

A small computer without a battery clock starts with an old date and jumps when a time server answers. So a reading is
stamped with the running time, which never jumps, and gets its wall time when that is known, be it an hour later: from
this machine's clock where somebody keeps it, else from the service's own words, which carry the room's time.
"""

from __future__ import annotations

import ctypes
import re
import time
from dataclasses import dataclass
from datetime import datetime, timezone
from typing import NamedTuple, Optional, Protocol

BOOT_ID = "/proc/sys/kernel/random/boot_id"


class Clock(Protocol):
    """What a node may know of time. A test hands in its own."""

    def wall(self) -> float:
        """Seconds since 1970 (UTC), as the machine believes; may jump either way."""

    def monotonic(self) -> float:
        """Seconds since the machine started; never jumps."""

    def synchronised(self) -> bool:
        """Whether the system says that a time server (or the like) keeps its clock."""

    def sleep(self, seconds: float) -> None:
        """Wait."""


class SystemClock:
    """The machine's own clocks."""

    def wall(self) -> float:
        """Seconds since 1970."""
        return time.time()

    def monotonic(self) -> float:
        """Seconds since boot."""
        return time.monotonic()

    def synchronised(self) -> bool:
        """The kernel's own flag: adjtimex(2) answers TIME_ERROR (5) for a clock that nobody keeps."""
        try:
            # struct timex is 208 bytes on 64-bit Linux, less on 32-bit; all zeroes only asks.
            answer: int = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(512))
        except (OSError, AttributeError):  # no libc of that kind
            return False
        return 0 <= answer < 5

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)


class Taken(NamedTuple):
    """When a reading was taken. wall: seconds since 1970, None while nobody knew; running: seconds since boot."""

    wall: Optional[float]  # noqa: UP045 - a NamedTuple's annotations are evaluated by Python 3.9
    running: float


@dataclass
class NodeTime:
    """Which time to believe. `kept`: somebody (a battery clock) keeps this machine's clock, whatever the kernel says.

    The offset between the service's time and the running time is learnt from its words.
    """

    clock: Clock
    kept: bool = False
    _offset: float | None = None

    def learn(self, wall: float) -> None:
        """The service has just said that it is `wall` there."""
        self._offset = wall - self.clock.monotonic()

    def taken(self) -> Taken:
        """The stamp of a reading that is taken now."""
        now = self.now()
        return Taken(None if now is None else round(now, 3), round(self.clock.monotonic(), 3))

    def now(self) -> float | None:
        """Seconds since 1970, or None where nobody knows."""
        if self.trusted():
            return self.clock.wall()
        return None if self._offset is None else self.clock.monotonic() + self._offset

    def of(self, taken: Taken) -> float | None:
        """When a reading of this boot of the machine was taken; None while nobody knows."""
        if taken.wall is not None:
            return taken.wall
        now = self.now()
        return None if now is None else now - self.age(taken)

    def age(self, taken: Taken) -> float:
        """Seconds since a reading of this boot of the machine was taken."""
        return self.clock.monotonic() - taken.running

    def trusted(self) -> bool:
        """Whether this machine's own clock is believed."""
        return self.kept or self.clock.synchronised()

    def words(self) -> str:
        """For the status: `kept`, `from-service` or `not-set`."""
        if self.trusted():
            return "kept"
        return "not-set" if self._offset is None else "from-service"


def stamp(wall: float) -> str:
    """RFC 3339 in UTC, to the millisecond: "2031-03-03T06:00:00.250Z"."""
    moment = datetime.fromtimestamp(round(wall, 3), timezone.utc)
    return moment.replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"


_STAMP = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(\.\d+)?(Z|[+-]\d\d:\d\d)\Z", re.ASCII)


def read_stamp(text: str) -> float:
    """Seconds since 1970 of an RFC 3339 time. ValueError where it is none."""
    match = _STAMP.match(text)
    if match is None:
        raise ValueError(f"received {text!r}; allowed is RFC 3339 with its offset")
    moment = datetime.fromisoformat(match[1] + match[3].replace("Z", "+00:00"))
    return moment.timestamp() + float(match[2] or 0.0)


def boot_of_machine(path: str = BOOT_ID) -> str:
    """What tells this boot of the machine from others; "" where the kernel does not say."""
    try:
        with open(path, encoding="ascii") as file:
            return file.read().strip().replace("-", "")[:12]
    except OSError:
        return ""
