"""Keeps the process small: what the C library holds back of memory that was freed, it gives back.

Where the C library is another one than glibc, nothing happens.
"""

import contextlib
import ctypes

OPTIONS = ((-8, 2), (-3, 128 * 1024))
"""mallopt(3), M_ARENA_MAX and M_MMAP_THRESHOLD: by default each thread keeps a heap of its own, and large pieces that
were given back once are kept ever after; together some megabytes."""


def share() -> None:
    """Have threads share two heaps. To be called before there are threads."""
    with contextlib.suppress(OSError, AttributeError):
        for option, value in OPTIONS:
            ctypes.CDLL(None).mallopt(option, value)


def give_back() -> None:
    """Return the holes in the heaps to the system: arrays that live for an instant leave 5 MB of them (some ms)."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
