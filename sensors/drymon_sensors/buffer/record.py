"""A record on disk: one line with its own checksum, so that a torn or rotten one is seen for what it is. Pure.

    crc32 [seq,content…]\n

Text, one line a record: after a broken line the next one is found again, and a person can read the file.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from typing import Any, NamedTuple


class Record(NamedTuple):
    """seq: its number; content: what the ring was given, as JSON has it."""

    seq: int
    content: tuple[Any, ...]


def encode(seq: int, content: Sequence[Any]) -> bytes:
    """The line of a record. ValueError for what JSON cannot hold."""
    body = json.dumps([seq, *content], allow_nan=False, separators=(",", ":")).encode("ascii")
    return b"%08x %s\n" % (zlib.crc32(body), body)


def decode(line: bytes) -> Record | None:
    """The record of a line; None where the line is not whole, or not what was written."""
    body = line[9:-1]
    if len(line) < 12 or line[-1:] != b"\n" or line[8:9] != b" " or line[:8] != b"%08x" % zlib.crc32(body):
        return None
    try:
        seq, *content = json.loads(body)
    except ValueError:  # four bytes of checksum let one in four thousand million wrong lines pass
        return None
    return Record(seq, tuple(content)) if isinstance(seq, int) else None
