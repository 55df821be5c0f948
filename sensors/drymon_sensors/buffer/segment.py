"""One file of the ring: records of one boot, in their order.

What it is called says what its records need and must survive a broken line: `00000012-b3f2a9c4d1e0-5f1c2a7b9e21-1.log`
is the twelfth file, of the boot b3f2a9c4d1e0, written during the machine's own boot 5f1c2a7b9e21, its first number 1.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from drymon_sensors.buffer.record import Record, decode

BLOCK = 4096
"""A file takes whole blocks of the card, however short it is."""

_NAME = re.compile(r"(\d{8})-([0-9a-z]+)-([0-9a-z]*)-(\d+)\.log\Z")


@dataclass
class Segment:
    """A file.

    number: files are in the order of their numbers; boot: of its records; session: the machine's boot, "" if unknown.
    first: its lowest number; last: its highest (first - 1: none yet); covered: the service has all up to it.
    size: bytes of it; damaged: lines that are not what was written.
    """

    path: str
    number: int
    boot: str
    session: str
    first: int
    last: int
    covered: int
    size: int = 0
    damaged: int = 0

    @property
    def blocks(self) -> int:
        """Bytes that it takes of the card."""
        return (self.size + BLOCK - 1) // BLOCK * BLOCK

    @property
    def waiting(self) -> int:
        """Records that the service has not confirmed."""
        return self.last - self.covered


def new_segment(folder: str, number: int, boot: str, session: str, first: int) -> Segment:
    """A file that is yet to be written."""
    name = f"{number:08d}-{boot}-{session}-{first}.log"
    if not _NAME.match(name):
        raise ValueError(f"received boot {boot!r} and session {session!r}; allowed are a-z and 0-9")
    path = os.path.join(folder, name)
    return Segment(path, number, boot, session, first, first - 1, first - 1)


def segments_in(folder: str) -> list[Segment]:
    """The files of a folder, oldest first, each read through."""
    found = []
    for name in sorted(os.listdir(folder)):
        match = _NAME.match(name)
        if match:
            first = int(match[4])
            segment = Segment(
                os.path.join(folder, name), int(match[1]), match[2], match[3], first, first - 1, first - 1
            )
            _examine(segment)
            found.append(segment)
    return found


def _examine(segment: Segment) -> None:
    with open(segment.path, "rb") as file:
        segment.size = os.fstat(file.fileno()).st_size
        for record in _records(file):
            if record is None:
                segment.damaged += 1
            elif record.seq > segment.last:
                segment.last = record.seq


def _records(file: BinaryIO) -> Iterator[Record | None]:
    while line := file.readline():
        yield decode(line)


class Reader:
    """Reads a segment's records from its beginning on, also while it grows."""

    def __init__(self, segment: Segment) -> None:
        self.segment = segment
        self._file: BinaryIO = open(segment.path, "rb")  # noqa: SIM115 - held open while the segment grows
        self._reached = segment.first - 1

    def next(self) -> Record | None:
        """The next record that is sound and not confirmed yet; None at the present end."""
        while line := self._file.readline():
            record = decode(line)
            if record is None or record.seq <= self._reached:
                continue
            self._reached = record.seq
            if record.seq > self.segment.covered:
                return record
        return None

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()
