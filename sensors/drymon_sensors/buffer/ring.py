"""A bounded ring on disk: what is put in stays until it is confirmed, over the death of the program and of the power.

- `append` returns once the record is written: it survives the program's death (kill -9). `sync` returns once it is on
  the card: it survives the power's.
- Each start, and each file that is begun while an older one waits, has a boot of its own, and numbers go up by one
  within it. So when the ring is full and its oldest file goes, no number is missing among those that stay.
- A line that is damaged costs itself; the hole is handed on as `Lost`, so that nobody waits for it.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple, Union

from drymon_sensors.buffer.record import encode
from drymon_sensors.buffer.segment import BLOCK, Reader, Segment, new_segment, segments_in
from drymon_sensors.errors import KeepError, SetupError, words_of

FILES = 8
"""So many files make a full ring: one of them is what a full ring gives up at once."""

TIDY = 256 * 1024
"""A file all of whose records are confirmed is begun anew at this size: less to read through at the next start."""


class Kept(NamedTuple):
    """A record that waits. session: the machine's boot in which it was written."""

    boot: str
    seq: int
    session: str
    content: tuple[Any, ...]


class Lost(NamedTuple):
    """A number whose record is damaged. content: of the next sound record."""

    boot: str
    seq: int
    session: str
    content: tuple[Any, ...]


Entry = Union[Kept, Lost]


def new_boot() -> str:
    """A name that no other start ever had, with or without a clock; no number, for the service quotes those."""
    return "b" + secrets.token_hex(6)


class Ring:
    """The ring in one folder, for one program at a time.

    session: the machine's own boot; most: bytes of the card that it may take.
    dropped: records that were given up unconfirmed, damaged: lines that were not what was written; since the start.
    """

    def __init__(
        self, folder: str, session: str, most: int = 32 << 20, make_boot: Callable[[], str] = new_boot
    ) -> None:
        self.folder, self.dropped = folder, 0
        self._session, self._most, self._make_boot = session, max(most, FILES * BLOCK), make_boot
        self._lock = _lock(folder)
        self._segments = segments_in(folder)
        self.damaged = sum(segment.damaged for segment in self._segments)
        self._handle = -1
        self._unsynced = self._torn = False
        self._expected = 1
        self._reader: Reader | None = None
        self._holes: list[Entry] = []
        self._forget_empty()
        self._begin(self._make_boot(), 1)

    # ---- in ------------------------------------------------------------------------------------------------

    def append(self, content: Sequence[Any]) -> tuple[str, int]:
        """Write a record; its boot and number. KeepError where the disk does not take it: then it is not kept."""
        active = self._segments[-1]
        line = encode(active.last + 1, content)
        if active.size + len(line) > self._most // FILES:
            self._turn_over()
            active = self._segments[-1]
            line = encode(active.last + 1, content)
        self._make_room(len(line))
        self._write(active, line)
        active.last += 1
        self._unsynced = True
        return active.boot, active.last

    def sync(self) -> None:
        """Have the card itself take what was written. KeepError where it does not."""
        if self._unsynced:
            try:
                os.fdatasync(self._handle)
            except OSError as error:
                raise KeepError(f"{self.folder}: {words_of(error)}: is the card well?") from error
            self._unsynced = False

    def close(self) -> None:
        """Sync, and let go of the folder."""
        self.sync()
        os.close(self._handle)
        self._leave_reader()
        os.close(self._lock)

    # ---- out -----------------------------------------------------------------------------------------------

    def next(self) -> Entry | None:
        """The next entry that waits, from where the last call left off; None at the end."""
        while not self._holes:
            if self._reader is None and not self._read_on(0):
                return None
            assert self._reader is not None
            segment = self._reader.segment
            record = self._reader.next()
            if record is not None:
                self._note(segment, record.seq, record.content)
            elif not self._read_on(segment.number + 1):
                return None
        return self._holes.pop(0)

    def rewind(self) -> None:
        """Have `next` begin with the oldest entry that waits."""
        self._leave_reader()
        self._holes = []

    def cover(self, boot: str, seq: int) -> None:
        """All of this boot, up to this number, is confirmed: it need not be kept any longer."""
        for segment in [each for each in self._segments if each.boot == boot]:
            segment.covered = max(segment.covered, min(seq, segment.last))
            if segment.waiting == 0 and segment is not self._segments[-1]:
                self._remove(segment)
        active = self._segments[-1]
        if active.waiting == 0 and active.size > TIDY:
            self._turn_over()

    @property
    def waiting(self) -> int:
        """Records that are not confirmed."""
        return sum(segment.waiting for segment in self._segments)

    @property
    def size(self) -> int:
        """What it takes of the card."""
        return sum(segment.blocks for segment in self._segments)

    # ---- inside --------------------------------------------------------------------------------------------

    def _write(self, active: Segment, line: bytes) -> None:
        line = b"\n" + line if self._torn else line
        try:
            written = os.write(self._handle, line)
        except OSError as error:
            written, why = 0, words_of(error)
        else:
            why = "the disk is full"
        if written < len(line):
            self._cut(active)
            raise KeepError(f"{self.folder}: {why}: make room on the disk")
        active.size, self._torn = active.size + len(line), False

    def _cut(self, active: Segment) -> None:
        """Take back half a line; where not even that can be done, the next one must not be glued to it."""
        try:
            os.ftruncate(self._handle, active.size)
        except OSError:
            self._torn = True

    def _turn_over(self) -> None:
        """Go on in a new file: with the same boot where nothing of it waits, so that no hole can come into it."""
        active = self._segments[-1]
        if active.waiting == 0:
            self._begin(active.boot, active.last + 1)
            self._remove(active)
        else:
            self._begin(self._make_boot(), 1)

    def _begin(self, boot: str, first: int) -> None:
        number = self._segments[-1].number + 1 if self._segments else 1
        segment = new_segment(self.folder, number, boot, self._session, first)
        try:
            self.sync()
            handle = os.open(segment.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC, 0o640)
            _sync_folder(self.folder)
        except OSError as error:
            raise KeepError(f"{self.folder}: {words_of(error)}: make room, and let this user write there") from error
        if self._handle >= 0:
            os.close(self._handle)
        self._handle = handle
        self._segments.append(segment)

    def _make_room(self, needed: int) -> None:
        while self.size + needed > self._most and len(self._segments) > 1:
            oldest = self._segments[0]
            self.dropped += oldest.waiting
            self._remove(oldest)

    def _remove(self, segment: Segment) -> None:
        if self._reader is not None and self._reader.segment is segment:
            self._read_on(segment.number + 1)
        self._segments.remove(segment)
        os.unlink(segment.path)

    def _forget_empty(self) -> None:
        for segment in [each for each in self._segments if each.last < each.first]:
            self._remove(segment)

    def _read_on(self, number: int) -> bool:
        """Go on reading in the first file from that number on; False where there is none, and the place is kept."""
        following = next((each for each in self._segments if each.number >= number), None)
        if following is None:
            return False
        self._leave_reader()
        self._reader = Reader(following)
        self._expected = max(following.first, following.covered + 1)
        return True

    def _note(self, segment: Segment, seq: int, content: tuple[Any, ...]) -> None:
        """A sound record, after the numbers before it that are damaged."""
        begin = max(self._expected, segment.covered + 1)
        self._holes = [Lost(segment.boot, hole, segment.session, content) for hole in range(begin, seq)]
        self._holes.append(Kept(segment.boot, seq, segment.session, content))
        self._expected = seq + 1

    def _leave_reader(self) -> None:
        if self._reader is not None:
            self._reader.close()
            self._reader = None


def _lock(folder: str) -> int:
    """One program at a time. SetupError where another one has the folder, or it cannot be used."""
    import fcntl

    try:
        os.makedirs(folder, mode=0o750, exist_ok=True)
        handle = os.open(os.path.join(folder, "lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError as error:
        raise SetupError(f"{folder}: {words_of(error)}; allowed is a folder that this user may write to") from None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        raise SetupError(f"{folder}: another drymon-sensors uses it; end that one first") from None
    return handle


def _sync_folder(folder: str) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
