"""A job's name by what goes into it: equal inputs, equal code and equal libraries have one key."""

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from hashlib import blake2b
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from drymon.service.room_images import sources

MADE_BY = (
    "drying/*.py",
    "learning/*.py",
    "shop/**/*.py",
    "messages/*.py",
    "store/*.py",
    "service/**/*.py",
    "jobs/*.py",
)
"""The sources that have a say in what a job's result is."""


def code() -> str:
    """A checksum over drymon's sources, Python, numpy, scipy and the kind of machine."""
    return f"{sources(MADE_BY)}-{version('scipy')}"


def key_of(kind: str, *inputs: Any) -> str:
    """The key of a job: letters and digits. kind: what is done; inputs: dataclasses, mappings, sequences, arrays,
    numbers, texts, bytes and what is made of them; TypeError for anything else.
    """
    digest = blake2b(f"{kind} {code()}".encode(), digest_size=20)
    _feed(digest, inputs)
    return digest.hexdigest()


def _feed(digest: "blake2b", value: Any) -> None:
    """Every value has its kind and its length before it, so that no two are fed alike."""
    if value is None or isinstance(value, bool | int | float | str | bytes | Path):
        content = value if isinstance(value, bytes) else repr(value).encode()
        digest.update(f"{type(value).__name__} {len(content)} ".encode() + content)
    elif isinstance(value, Enum):
        _feed(digest, (type(value).__name__, value.name))
    elif isinstance(value, np.ndarray | np.generic):
        array = np.ascontiguousarray(value)
        _feed(digest, ("array", array.dtype.str, array.shape, array.tobytes()))
    elif is_dataclass(value):
        _feed(digest, (type(value).__qualname__, *((one.name, getattr(value, one.name)) for one in fields(value))))
    elif isinstance(value, Mapping):
        _feed(digest, ("mapping", *((name, value[name]) for name in sorted(value))))
    elif isinstance(value, Sequence):
        digest.update(f"sequence {len(value)} ".encode())
        for one in value:
            _feed(digest, one)
    else:
        raise TypeError(f"{type(value).__name__} cannot be a part of a job's key")
