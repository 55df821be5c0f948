"""Recorded streams written through the documented interface alone: one JSON line a message, in time order."""

import gzip
import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any


def stamp(time: datetime) -> str:
    """RFC 3339 in UTC, to the millisecond where there are any."""
    text = time.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return text.replace(".000Z", "Z")


class Recording:
    """Messages of one room, collected in any order."""

    def __init__(self, room: str, start: datetime) -> None:
        self.room, self.start = room, start
        self._messages: list[tuple[float, int, str, str]] = []

    def at(self, minute: float) -> datetime:
        """The time of a minute of the recording."""
        return self.start + timedelta(milliseconds=round(minute * 60_000))

    def add(self, minute: float, topic: str, payload: Any) -> None:
        """A message on any topic; text goes as it is, anything else as JSON."""
        text = payload if isinstance(payload, str) else json.dumps(payload, separators=(",", ":"))
        self._messages.append((minute, len(self._messages), topic, text))

    def reading(self, minute: float, place: str, quantity: str, payload: Any, sensor: str = "") -> None:
        """A reading on its documented topic."""
        self.add(minute, f"drymon/{self.room}/{place}/{quantity}" + (f"/{sensor}" if sensor else ""), payload)

    def log(self, minute: float, event: str, **fields: Any) -> None:
        """A log event; fields that are None are left out."""
        self.add(
            minute,
            f"drymon/{self.room}/log/{event}",
            {key: value for key, value in fields.items() if value is not None},
        )

    def lines(self, until: float = float("inf")) -> list[str]:
        """The stream's lines, up to a minute."""
        return [
            json.dumps(
                {"time": stamp(self.at(m)), "topic": topic, "payload": payload},
                separators=(",", ":"),
                ensure_ascii=False,
            )
            for m, _, topic, payload in sorted(self._messages)
            if m <= until
        ]

    def write(self, path: Path, until: float = float("inf")) -> int:
        """Writes the stream (gzip where the name ends so; equal bytes every time); returns the number of
        lines."""
        lines = self.lines(until)
        data = ("\n".join(lines) + "\n").encode()
        path.write_bytes(gzip.compress(data, 9, mtime=0) if path.suffix == ".gz" else data)
        return len(lines)
