"""Rings for tests: opened, read out, their files."""

from __future__ import annotations

from pathlib import Path

from drymon_sensors.buffer.ring import Kept, Lost, Ring

SESSION = "5f1c2a7b9e21"


def opened(folder: Path, most: int = 1 << 20) -> Ring:
    return Ring(str(folder), SESSION, most)


def waiting(ring: Ring) -> list[Kept | Lost]:
    """All that waits, from the oldest on."""
    ring.rewind()
    found = []
    while (entry := ring.next()) is not None:
        found.append(entry)
    return found


def values(ring: Ring) -> list[object]:
    return [entry.content[0] for entry in waiting(ring) if isinstance(entry, Kept)]


def files(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.log"))
