"""Random streams of a shop: what sensors and people send in some hours, with all that may go wrong with it."""

import json
import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from drymon.messages.message import Message

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)
TREES = ("t-1", "t-2", "t-3", "t-4")
RACKS = ("rack-a", "rack-b")
LOOK = ("sound", "repaired", "scrap")
SHELTERS = (None, "open", "pocketed", "deep")
COATS = ("prime-first", "backup", "backup", "seal", "gold")


class Shop:
    """One shop's luck. `messages` is its stream, in order of arrival."""

    def __init__(self, seed: int, hours: float) -> None:
        self._luck = random.Random(seed)
        self._hours = hours
        self._now = BEGIN
        self._air = {rack: [22.0, 45.0, 1.0] for rack in RACKS}
        self._silent = {rack: False for rack in RACKS}
        self._masses = {"cell-1": 3.0, "cell-2": 5.0}
        self._ids: list[str] = []
        self._busy = 0.0

    def messages(self) -> list[Message]:
        """All of it."""
        return list(self._stream())

    def _stream(self) -> Iterator[Message]:
        for _ in range(int(60 * self._hours)):
            self._now += timedelta(minutes=1)
            yield from self._readings()
            if self._luck.random() < 0.02:
                self._busy = self._luck.choice((0.0, 0.1, 0.6))
            while self._luck.random() < self._busy:
                yield self._event()

    def _readings(self) -> Iterator[Message]:
        for rack in RACKS:
            if self._luck.random() < 0.01:
                self._silent[rack] = not self._silent[rack]
            if self._luck.random() < 0.01:
                self._air[rack] = [self._luck.uniform(15, 30), self._luck.uniform(15, 95), self._luck.uniform(0, 4)]
            if not self._silent[rack]:
                for quantity, value in zip(("temperature", "humidity", "airflow"), self._air[rack], strict=True):
                    if quantity != "airflow" or rack == "rack-a":
                        yield self._reading(rack, quantity, value * self._luck.choice((1.0, 1.0, 1.004)))
        for cell, mass in self._masses.items():
            if self._luck.random() < 0.005:
                mass += self._luck.choice((0.2, -0.2, 0.05))
            self._masses[cell] = mass = 2.0 + (mass - 2.0) * 0.9995
            yield self._reading("rack-a", f"weight/{cell}", mass + self._luck.gauss(0.0, 2e-4))

    def _reading(self, place: str, quantity: str, value: float) -> Message:
        content: dict[str, object] = {"value": round(value, 4)}
        late = self._luck.random()
        if late < 0.01 and not quantity.startswith("weight"):
            content["time"] = self._stamp(self._luck.choice((0.5, 20, 90, 400)))
        retain = self._luck.random() < 0.003
        return Message(self._tick(), f"drymon/shop/{place}/{quantity}", json.dumps(content).encode(), retain=retain)

    def _event(self) -> Message:
        what = self._luck.choice(
            ("dip",) * 6 + ("undo",) * 3 + ("felt", "look", "weigh", "move", "leave", "fan", "clock")
        )
        content: dict[str, object] = {"tree": self._luck.choice(TREES), **getattr(self, f"_{what}")()}
        if what in ("fan", "clock"):
            del content["tree"]
        if what != "undo" and self._luck.random() < 0.4:
            content["id"] = f"{what}-{self._luck.randrange(10**6)}"
            self._ids.append(str(content["id"]))
        if what not in ("fan", "clock") and self._luck.random() < 0.3:
            content["time"] = self._stamp(self._luck.choice((1, 15, 45, 100, 300)))
        return Message(self._tick(), f"drymon/shop/log/{what}", json.dumps(content).encode())

    def _dip(self) -> dict[str, object]:
        content: dict[str, object] = {"rack": self._luck.choice(RACKS), "coat": self._luck.choice(COATS)}
        if shelter := self._luck.choice(SHELTERS):
            content["shelter"] = shelter
        if content["rack"] == "rack-a" and self._luck.random() < 0.4:
            content["cell"] = self._luck.choice(tuple(self._masses))
        if self._luck.random() < 0.1:
            content["number"] = self._luck.choice((1, 3))
        if self._luck.random() < 0.2:
            content["trees"] = list(self._luck.sample(TREES, 2))
            content["tree"] = None
        return content

    def _undo(self) -> dict[str, object]:
        return {"entry": self._luck.choice(self._ids)} if self._ids and self._luck.random() < 0.3 else {}

    def _felt(self) -> dict[str, object]:
        return {"finding": self._luck.choice(("wet", "dry"))}

    def _look(self) -> dict[str, object]:
        return {"finding": self._luck.choice(LOOK)}

    def _weigh(self) -> dict[str, object]:
        return {"mass": round(self._luck.uniform(2.9, 3.1), 3)}

    def _move(self) -> dict[str, object]:
        rack = self._luck.choice(RACKS)
        return {"rack": rack, "cell": "cell-1"} if rack == "rack-a" and self._luck.random() < 0.5 else {"rack": rack}

    def _leave(self) -> dict[str, object]:
        return {}

    def _fan(self) -> dict[str, object]:
        return {"rack": self._luck.choice(RACKS), "on": self._luck.random() < 0.5}

    def _clock(self) -> dict[str, object]:
        return {"known": self._luck.random() < 0.8}

    def _stamp(self, minutes_ago: float) -> str:
        return f"{self._now - timedelta(minutes=minutes_ago):%Y-%m-%dT%H:%M:%SZ}"

    def _tick(self) -> datetime:
        """Some come within the same second, or instant."""
        self._now += timedelta(seconds=self._luck.choice((0.0, 0.0, 0.3, 1.0)))
        return self._now
