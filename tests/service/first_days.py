"""The two days that follow docs/first-day.md, with one temperature and humidity sensor and no scale: the room's air,
and people who go by what drymon says, from seven in the morning to ten at night.

What they do depends on what is said, so the stream is made by the real road, ten minutes at a time.
"""

import json
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.home import make_home
from drymon.messages.message import Message
from drymon.messages.streams import StreamWriter
from drymon.service.pipeline import Pipeline
from drymon.store.store import Store

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "first-day.md").read_text(encoding="utf-8")
TIMEZONE = re.findall(r'timezone = "(\w+/\w+)"', PAGE)[0]
FIRST_DIP = re.findall(r"drymon dip (\S+) --rack (\S+) --recipe (\S+) --shelter (\S+)", PAGE)[0]

ZONE = ZoneInfo(TIMEZONE)
BEGIN = datetime(2026, 11, 25, 14, 50, tzinfo=ZONE).astimezone(UTC)
"""The afternoon of the page: the sensor speaks an hour before the first dip."""
DAYS = 2
LOOK_MIN = 10
"""Somebody passes by the board this often."""


@dataclass(frozen=True)
class Tree:
    """A tree with its first dip (minutes since the beginning), and how long it truly takes, over what is likely."""

    name: str
    rack: str
    recipe: str
    shelter: str
    first: int
    truly: float = 1.0


TREES = (
    Tree(FIRST_DIP[0], FIRST_DIP[1], FIRST_DIP[2], FIRST_DIP[3], 60, 1.1),
    Tree("tree-2", "rack-a", "iron", "open", 80, 0.9),
    Tree("tree-3", "rack-b", "bronze", "pocketed", 100, 0.95),
    Tree("tree-4", "rack-b", "slurry-first", "open", 120, 1.2),
    Tree("tree-5", "rack-b", "iron", "pocketed", 1040, 1.1),
    Tree("tree-6", "rack-a", "bronze", "open", 1060),
)


def air(minute: float) -> tuple[float, float]:
    """The room of the page, 21 °C and 52 %RH in the middle: warmest and driest at three, and never quite steady."""
    hour = (minute / 60 + 14 + 50 / 60) % 24
    day = math.cos((hour - 15) / 24 * 2 * math.pi)
    celsius = 21.1 + 1.2 * day + 0.15 * math.sin(minute / 17.3)
    percent = 52.5 - 3.5 * day + 0.8 * math.sin(minute / 41.7) + 0.5 * math.sin(minute / 7.1)
    return round(celsius, 2), round(percent, 2)


@dataclass
class People:
    """Who dips what is ready, looks at what is held, feels what is likely dry, and says so."""

    pipeline: Pipeline
    coats: Mapping[str, str]
    """The first coat of each recipe."""
    verdicts: dict[str, dict[str, Any]] = field(default_factory=dict)
    likely: dict[tuple[str, str], datetime] = field(default_factory=dict)
    """Of each tree and dip, as it was told first."""
    felt_dry: set[tuple[str, str]] = field(default_factory=set)
    heard: list[Message] = field(default_factory=list)
    said: list[Message] = field(default_factory=list)

    def hear(self, messages: list[Message], until: datetime) -> None:
        """Ten minutes of the room."""
        self.heard += messages
        for message in self.pipeline.batch(messages, until):
            self.said.append(message)
            if "/out/tree/" in message.topic and message.payload:
                told = json.loads(message.payload)
                self.verdicts[told["tree"]] = told
                if (best := told["dry_at"]["best"]) is not None:
                    self.likely.setdefault((told["tree"], told["dipped_at"]), datetime.fromisoformat(best))

    def act(self, now: datetime) -> Iterator[Message]:
        """What somebody who passes by says now, nothing at night; a tree that was seen to once waits for the next."""
        if not 7 <= now.astimezone(ZONE).hour < 22:
            return
        for place, tree in enumerate(TREES):
            at = now + timedelta(seconds=20 * (place + 1))
            told = self.verdicts.get(tree.name)
            if told is None:
                if now >= BEGIN + timedelta(minutes=tree.first):
                    first = {"coat": self.coats[tree.recipe], "recipe": tree.recipe, "shelter": tree.shelter}
                    yield log(at, "dip", tree=tree.name, rack=tree.rack, **first)
            elif told["state"] == "ready":
                yield log(at, "dip", tree=tree.name, rack=tree.rack, coat=told["next_coat"])
            elif told["state"] == "hold":
                yield log(at, "look", tree=tree.name, finding="sound")
            elif told["state"] == "drying" and re.search("dry since .* tell drymon with felt", told["advice"]):
                coat = (tree.name, told["dipped_at"])
                if coat not in self.felt_dry:
                    yield log(at, "felt", tree=tree.name, finding=self._feels(tree, coat, now), where=place_of(tree))

    def _feels(self, tree: Tree, coat: tuple[str, str], now: datetime) -> str:
        dipped = datetime.fromisoformat(coat[1])
        if now < dipped + tree.truly * (self.likely[coat] - dipped):
            return "wet"
        self.felt_dry.add(coat)  # who has felt it dry waits for the word
        return "dry"


def place_of(tree: Tree) -> str:
    """Where a finger goes: the advice says so."""
    return "face" if tree.shelter == "open" else "pocket"


def log(at: datetime, event: str, **keys: str) -> Message:
    """A log event, as a command publishes it."""
    content = {**keys, "id": f"{event}-{keys['tree']}-{at:%d%H%M}"}
    return Message(at, f"drymon/shop/log/{event}", json.dumps(content).encode())


def readings(begin: int, end: int) -> Iterator[Message]:
    """The wired sensor, every two minutes of these."""
    for minute in range(begin, end, 2):
        at = BEGIN + timedelta(minutes=minute, seconds=3)
        for quantity, value in zip(("temperature", "humidity"), air(minute), strict=True):
            yield Message(at, f"drymon/shop/room/{quantity}", str(value).encode())


def home_of_the_page(folder: Path) -> Path:
    """A home as `drymon init` makes it, with the page's one change."""
    file = make_home(folder)
    file.write_text(file.read_text("utf-8").replace('timezone = "UTC"', f'timezone = "{TIMEZONE}"'), "utf-8")
    return folder


def live(home: Path, stream: Path) -> list[Message]:
    """Live the two days in this home; writes what was heard to `stream`, returns what drymon said."""
    config = load_home(home)
    with Store.open(home / "drymon.db") as store:
        coats = {recipe.name: recipe.coats[0] for recipe in config.room.recipes}
        people = People(Pipeline(config, load_models(home), store), coats)
        for minute in range(0, DAYS * 1440, LOOK_MIN):
            now = BEGIN + timedelta(minutes=minute + LOOK_MIN)
            messages = [*readings(minute, minute + LOOK_MIN), *people.act(now - timedelta(minutes=LOOK_MIN))]
            people.hear(sorted(messages, key=lambda message: message.arrived), now)
    with StreamWriter(stream) as writer:
        for message in people.heard:
            writer.write(message)
    return people.said
