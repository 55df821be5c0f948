"""Has people of the invented shop dip by the plan for a week, and prints the diary that make_week.py has. Run it from a
checkout: python demo_streams/plan_week.py (some minutes)

The first days are played and fitted as the demo does. Then one hand dips, while people are there, what stands under
*Dip now*, in its order, else hangs the next new tree; a shell that is done leaves the next morning.
"""

import json
import sys
import tempfile
from collections.abc import Iterator
from datetime import timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

from make_week import DAYS, MINUTES, START, around, begun, shells  # noqa: E402

from drymon.cli.demo import FIRST_DAYS, WEEK_ROOM, make_demo_home  # noqa: E402
from drymon.cli.fit import learn  # noqa: E402
from drymon.messages.coat_models import load_models  # noqa: E402
from drymon.messages.message import Message  # noqa: E402
from drymon.messages.outgoing import to_payload  # noqa: E402
from drymon.messages.settings import HomeConfig  # noqa: E402
from drymon.messages.streams import parse_line, read_stream  # noqa: E402
from drymon.readback.weighed_runs import weighed_runs  # noqa: E402
from drymon.service.pipeline import Pipeline  # noqa: E402
from drymon.store import Store  # noqa: E402

STEP = 5
"""Minutes between two looks of the people at the plan."""
FROM, TO, DIP_MIN = 6 * 60 + 40, 17 * 60 + 15, 15
"""Minutes of the day in which somebody begins a dip."""
ZONE_MIN = 120
"""Vienna in May, minutes before UTC."""
NEW = {0: ["crane", "moth", "newt"], 1: ["perch", "vole"]}
"""Trees that are hung on a day, once what is ready has been dipped."""
WHO = ("Ilse", "Ravi")


def main() -> None:
    """Live the week."""
    with tempfile.TemporaryDirectory() as folder:
        config = make_demo_home(Path(folder) / "home", WEEK_ROOM)
        database = config.path / "drymon.db"
        with Store.open(database) as store:
            pipeline = Pipeline(config, load_models(config.path), store)
            first = files("drymon.demo_streams").joinpath(FIRST_DAYS)
            for part in parts(list(read_stream([Path(str(first))])), 500):
                pipeline.batch(part, part[-1].arrived)
            runs = weighed_runs(config, store)
        for _ in learn(config, runs):
            pass
        with Store.open(database) as store:
            pipeline = Pipeline(config, load_models(config.path), store)
            pipeline.resume()
            print("\n".join(Week(config, pipeline).lived()))


def parts(messages: list[Message], size: int) -> Iterator[list[Message]]:
    """Batches."""
    for first in range(0, len(messages), size):
        yield messages[first : first + size]


class Week:
    """The shop, its people, and what they were told."""

    def __init__(self, config: HomeConfig, pipeline: Pipeline) -> None:
        self.config, self.pipeline = config, pipeline
        self.rec, self.foundry, _ = begun()
        around(self.rec, self.foundry)
        self.heard = [parse_line(line) for line in self.rec.lines()]
        self.plan: dict[str, Any] = {}
        self.trees: dict[str, dict[str, Any]] = {}
        self.gone: set[str] = set()
        self.waiting = {day: list(names) for day, names in NEW.items()}
        self.racks = {tree.name: tree.rack for tree in shells()}
        self.recipe = config.room.recipe_by_name["small"].coats
        self.free = 0

    def lived(self) -> Iterator[str]:
        """Line by line."""
        at = 0
        for minute in range(0, MINUTES, STEP):
            while self.foundry.minute < minute:
                self.foundry.step()
            now = START + timedelta(minutes=minute)
            batch = []
            while at < len(self.heard) and self.heard[at].arrived < now:
                batch.append(self.heard[at])
                at += 1
            self.take(batch, minute)
            day, of_day = divmod(minute + 6 * 60, 1440)
            if DAYS[day % 7] not in ("sat", "sun") and FROM <= of_day < TO and minute >= self.free:
                yield from self.work(minute, day, f"{DAYS[day % 7]} {of_day // 60:02}:{of_day % 60:02}")

    def take(self, batch: list[Message], minute: int) -> None:
        """Messages in, words out."""
        now = START + timedelta(minutes=minute)
        for said in self.pipeline.batch(batch, max([now, *(one.arrived for one in batch)])):
            if said.topic.endswith("/out/plan") and said.payload:
                self.plan = json.loads(said.payload)
            elif "/out/tree/" in said.topic and said.payload:
                one = json.loads(said.payload)
                self.trees[one["tree"]] = one

    def work(self, minute: int, day: int, clock: str) -> Iterator[str]:
        """What one hand does now: a line of the diary."""
        done = [name for name, one in self.trees.items() if one["state"] == "complete" and name not in self.gone]
        due = [dip for dip in self.plan.get("now", []) if self.is_ready(dip)]
        new = self.waiting.get(day, [])
        if due:
            yield self.dip(minute, clock, due[0]["tree"], due[0]["coat"])
        elif new:
            yield self.dip(minute, clock, new.pop(0), self.recipe[0])
        elif done and clock[4:] < "07:30":
            self.gone.add(done[0])
            self.say(minute, "leave", {"tree": done[0], "by": WHO[day % 2]})
            yield f"{clock}  leave  {done[0]:<8}  -  {WHO[day % 2]}"

    def is_ready(self, dip: dict[str, Any]) -> bool:
        one = self.trees.get(dip["tree"], {})
        return bool(one.get("state") == "ready" and one.get("number", 0) + 1 == dip["number"])

    def dip(self, minute: int, clock: str, tree: str, coat: str) -> str:
        """Done in the foundry and told to drymon."""
        self.free = minute + DIP_MIN
        who = WHO[(minute // 60) % 2]
        content = {"tree": tree, "rack": self.racks[tree], "coat": coat, "by": who}
        if self.foundry.number[tree] == 0:
            content |= {"shelter": "open", "recipe": "small"}
        self.foundry.dip(tree, coat)
        self.say(minute, "dip", content)
        return f"{clock}  dip    {tree:<8}  {coat:<18}  {who}"

    def say(self, minute: int, event: str, content: dict[str, Any]) -> None:
        arrived = START + timedelta(minutes=minute, seconds=30)
        self.take([Message(arrived, f"drymon/{self.rec.room}/log/{event}", to_payload(content), qos=1)], minute)


if __name__ == "__main__":
    main()
