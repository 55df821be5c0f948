"""`drymon demo`: an invented shop's first days and second week through the whole tool, sped up."""

import os
import shutil
import sys
import textwrap
import time
from argparse import Namespace
from collections.abc import Callable, Iterator
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from drymon.cli.parser import Commands

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from drymon.messages.message import Message
    from drymon.messages.settings import Broker, HomeConfig
    from drymon.store import Store
    from drymon.views.plan_kept import PlanKept
    from drymon.views.timeline import Timeline

FOLDER, MARK, PICTURES = "drymon-demo", "demo.txt", "pictures"
FIRST_DAYS, SECOND_WEEK = "three-days.jsonl.gz", "second-week.jsonl.gz"
WEEK, WEEK_ROOM = "week.jsonl.gz", "week.toml"
"""A week of dips by the plan, and what it adds to room.toml."""
STORY = "This home was made by `drymon demo`: an invented shop, nothing in it was measured. It may be deleted.\n"


def register(commands: Commands) -> None:
    """Say what `demo` takes."""
    parser = commands.add_parser(
        "demo",
        help="the whole tool on a recorded stream, sped up",
        description="Makes a home (--home, else $DRYMON_HOME, else ./drymon-demo) and plays the first three days of an "
        "invented shop through a real broker, recording, judging and publishing as in a shop; then fits the coats' "
        "models to what was weighed, and plays two days of the next week with them. The story goes to standard "
        "output, pictures to HOME/pictures. Takes about a minute and a half.",
    )
    parser.add_argument(
        "--week",
        action="store_true",
        help="after the fit a whole week of dips by the plan instead, with a weekend and a slurry that thickens; "
        "then what the plan promised stands beside what came",
    )


def run(args: Namespace) -> int:
    """Play the demo."""
    from drymon.views.plan_kept import PlanKept

    started = time.monotonic()
    home = Path(args.home or os.environ.get("DRYMON_HOME") or FOLDER).expanduser()
    config = make_demo_home(home, WEEK_ROOM if args.week else "")
    kept = PlanKept(config.room.name, config.room.timezone) if args.week else None
    timeline, messages = _tell_all(config, kept)
    pictures = _draw(config)
    _close(config, timeline, messages, pictures, time.monotonic() - started)
    if kept is not None:
        print("\nWhat the plan promised in the week, and what came:", *kept.lines(), sep="\n")
    return 0


def make_demo_home(home: Path, more: str = "") -> "HomeConfig":
    """A fresh demo home at `home`; SetupError where something else is there. more: a file of demo_streams to be put
    below its room.toml.
    """
    from importlib.resources import files

    from drymon.errors import SetupError
    from drymon.messages.config import ROOM_FILE, load_home
    from drymon.messages.home import MODELS_FOLDER, make_home

    if home.exists() and any(home.iterdir()) and not (home / MARK).exists():
        raise SetupError(f"{home}: is not empty and no demo's home, so it is left alone; name another with --home")
    learnt = (home / MODELS_FOLDER).glob("**/*.toml")
    for old in (*home.glob("drymon.db*"), *(home / PICTURES).glob("*.svg"), *learnt, home / ROOM_FILE):
        old.unlink(missing_ok=True)
    parts = [files("drymon.demo_streams").joinpath(name) for name in ("room.toml", more) if name]
    make_home(home, "".join(part.read_text(encoding="utf-8") for part in parts))
    (home / MARK).write_text(STORY, encoding="utf-8")
    return load_home(home)


def _tell_all(config: "HomeConfig", kept: "PlanKept | None") -> "tuple[Timeline, int]":
    """First days, fit, second week: one story through one broker, in one home. kept: hears the week in its place."""
    from drymon.cli.demo_broker import demo_broker
    from drymon.store.lock import HomeLock
    from drymon.views.timeline import Timeline

    timeline = Timeline(config.room.name, config.room.timezone, config.room.tanks)
    progress = Progress()
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else 0

    def tell(message: "Message") -> None:
        for line in timeline.lines(message):
            progress.clear()
            print(textwrap.fill(line, width, subsequent_indent=" " * 23) if width else line, flush=True)
        progress.show(message)

    def tell_later(message: "Message") -> None:
        if kept is not None:
            kept.hear(message)
        tell(message)

    with HomeLock(config.path), demo_broker(config.path) as (broker, name):
        zone = config.room.timezone
        print(f"{config.room.label}: its first days through {name}, sped up; times on its clock ({zone})\n")
        count = _play(config, FIRST_DAYS, broker, tell)
        progress.say("fitting")
        learnt = list(_learn(config))
        progress.clear()
        print("\nBetween the weeks `drymon fit` learns from what was weighed:", *learnt, sep="\n  ")
        count += _play(config, SECOND_WEEK if kept is None else WEEK, broker, tell_later)
        progress.clear()
    return timeline, count


def _play(config: "HomeConfig", stream: str, broker: "Broker", tell: "Callable[[Message], None]") -> int:
    """A recorded stream into the home, with the models that are there now; returns how many messages it had."""
    from importlib.resources import as_file, files

    from drymon.cli.demo_run import play
    from drymon.messages.coat_models import load_models
    from drymon.messages.streams import read_stream
    from drymon.service.pipeline import Pipeline
    from drymon.store import Store

    with (
        Store.open(config.database) as store,
        as_file(files("drymon.demo_streams").joinpath(stream)) as file,
    ):
        pipeline = Pipeline(config, load_models(config.path), store)
        pipeline.resume()
        count = play(config, pipeline, read_stream([file]), broker, tell)
        last = store.last_arrival()
        if last is not None:
            store.roll_up(last + timedelta(minutes=1))
    return count


def _learn(config: "HomeConfig") -> Iterator[str]:
    """Fit the models of all coats that were weighed, and say of each how long it takes."""
    from drymon.cli.fit import learn
    from drymon.cli.home import record_of
    from drymon.readback.weighed_runs import weighed_runs
    from drymon.views.fit.fit_words import headline

    with record_of(config) as record:
        runs = weighed_runs(config, record)
    for fit, _ in learn(config, runs):
        yield headline(fit, config.room)


class Progress:
    """Where in the stream we are, on standard error, where that is a terminal."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._next = 0.0

    def show(self, message: "Message") -> None:
        """The time of the stream, some times a second."""
        if self._shown and time.monotonic() > self._next:
            print(f"\r{message.arrived:%Y-%m-%d %H:%M} UTC ", end="", file=sys.stderr, flush=True)
            self._next = time.monotonic() + 0.2

    def say(self, words: str) -> None:
        """A word in the same place."""
        if self._shown:
            print(f"\r{words:<40}", end="", file=sys.stderr, flush=True)

    def clear(self) -> None:
        """Leave the line to others."""
        if self._shown:
            print("\r" + " " * 40 + "\r", end="", file=sys.stderr, flush=True)


def _draw(config: "HomeConfig") -> list[Path]:
    """Each rack's air, every tree's drying, the room."""
    from drymon.cli.home import record_of

    with record_of(config) as record:
        return _pictures(config, record)


def _pictures(config: "HomeConfig", record: "Store") -> list[Path]:
    from drymon.cli.plot import rack_picture, room_picture, tree_picture
    from drymon.views.page.draw import slurry_picture
    from drymon.views.plots.style import save

    now = record.last_arrival()
    assert now is not None
    figures: dict[str, Callable[[], Figure]] = {"room": lambda: room_picture(config, record, now, None, None)}
    for rack in config.room.racks:
        figures[f"rack-{rack.name}"] = partial(rack_picture, config, record, rack.name, now, None, None)
    for tank in config.room.tanks:
        begin = now - timedelta(days=8)
        figures[f"slurry-{tank.name}"] = partial(slurry_picture, config.room, record, tank.name, begin, now)
    for tree in record.tree_names():
        figures[f"tree-{tree}"] = partial(tree_picture, config, record, tree, now, None, None)
    progress, made = Progress(), []
    for name, figure in figures.items():
        progress.say(f"drawing {name}")
        made.append(save(figure(), config.path / PICTURES / f"{name}.svg"))
    progress.clear()
    return made


def _close(config: "HomeConfig", timeline: "Timeline", messages: int, pictures: list[Path], seconds: float) -> None:
    from drymon.cli.home import record_of
    from drymon.readback.promises import on_record
    from drymon.views.fit.side_by_side import table

    counts = timeline.counts
    with record_of(config) as record:
        refused, tally = record.refused_count(), on_record(record)
    kinds = (("dips", "dip"), ("weighings", "weigh"), ("ready", "ready"), ("on hold", "hold"),
             ("cannot tell", "unknown"), ("complete", "complete"), ("alarms", "alarms"))  # fmt: skip
    print(f"\n{messages} messages in {seconds:.0f} s, {refused} of them not understood (they are kept)")
    print(" · ".join(f"{word} {counts[key]}" for word, key in kinds))
    if rows := table(tally):
        print("\nThe same coats in the first days and after the fit, trees that were not weighed, medians:")
        print(*rows, sep="\n")
        print()
    print("Ready means ready for the next dip. It never means ready to dewax or to pour.")
    print(f"{len(pictures)} pictures in {config.path / PICTURES}; the record is in {config.path}, for example:")
    print(f"  drymon plot tree {pictures[-1].stem.removeprefix('tree-')} --home {config.path} --out tree.png")
    print(f"  drymon export verdicts --home {config.path} --out verdicts.csv")
