"""An image as bytes: what `plain` makes of a graph of objects, and `images` keeps."""

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import blake2b

PART = 4096
"""Bytes of a part: arrays are cut into such, so that of a long one only the end is written anew."""


@dataclass(frozen=True, slots=True)
class Image:
    """A graph as plain data: JSON, a heap of small arrays, and the digests of the parts of the large ones, in order.

    parts: their bytes; of one just made those that were not there before.
    """

    document: str
    heap: bytes
    order: tuple[bytes, ...]
    parts: Mapping[bytes, bytes]


def digest(raw: bytes) -> bytes:
    """A checksum that also tells parts apart."""
    return blake2b(raw, digest_size=16).digest()
