"""Makes the stored homes of tests/page/states: the demo's shop at some moments, as its page reads it.

Run it from a checkout: python -m tests.page.make_states. It plays the demo's streams, fits between them as the demo
does, and keeps of each moment what the page needs: no messages, no images, of the readings those of the last hours.
"""

import gzip
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path

from drymon.cli.fit import learn
from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.home import make_home
from drymon.messages.message import Message
from drymon.messages.settings import HomeConfig
from drymon.messages.streams import read_stream
from drymon.readback.weighed_runs import weighed_runs
from drymon.service.pipeline import Pipeline
from drymon.store import Store

OUT = Path(__file__).parent / "states"
STREAMS = files("drymon.demo_streams")
READINGS_KEPT = timedelta(minutes=30)
FIRST_DAYS, SECOND_WEEK = "three-days.jsonl.gz", "second-week.jsonl.gz"
MOMENTS = {
    "first-trees": (FIRST_DAYS, datetime(2031, 5, 12, 5, 0, tzinfo=UTC)),
    "all-drying": (FIRST_DAYS, datetime(2031, 5, 12, 8, 0, tzinfo=UTC)),
    "first-ready": (FIRST_DAYS, datetime(2031, 5, 12, 11, 0, tzinfo=UTC)),
    "held-in-the-evening": (FIRST_DAYS, datetime(2031, 5, 12, 18, 0, tzinfo=UTC)),
    "morning": (FIRST_DAYS, datetime(2031, 5, 13, 4, 30, tzinfo=UTC)),
    "dipped-too-soon": (FIRST_DAYS, datetime(2031, 5, 13, 8, 30, tzinfo=UTC)),
    "silent-hygrometer": (FIRST_DAYS, datetime(2031, 5, 13, 10, 30, tzinfo=UTC)),
    "damp-night": (FIRST_DAYS, datetime(2031, 5, 14, 2, 0, tzinfo=UTC)),
    "third-morning": (FIRST_DAYS, datetime(2031, 5, 14, 8, 15, tzinfo=UTC)),
    "third-evening": (FIRST_DAYS, datetime(2031, 5, 14, 15, 55, tzinfo=UTC)),
    "last-coat-dry": (FIRST_DAYS, datetime(2031, 5, 15, 3, 30, tzinfo=UTC)),
    "fitted": (SECOND_WEEK, datetime(2031, 5, 19, 9, 10, tzinfo=UTC)),
    "fitted-afternoon": (SECOND_WEEK, datetime(2031, 5, 19, 14, 40, tzinfo=UTC)),
    "fitted-morning": (SECOND_WEEK, datetime(2031, 5, 20, 5, 10, tzinfo=UTC)),
}


def main() -> None:
    """Play, and keep each moment."""
    OUT.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        make_home(home, STREAMS.joinpath("room.toml").read_text(encoding="utf-8"))
        config = load_home(home)
        play(config, FIRST_DAYS)
        with Store.open(home / "drymon.db", readonly=True) as record:
            runs = weighed_runs(config, record)
        for _ in learn(config, runs):
            pass
        play(config, SECOND_WEEK)


def play(config: HomeConfig, stream: str) -> None:
    """A stream into the home, stopped at each of its moments."""
    messages = read_stream([Path(str(STREAMS.joinpath(stream)))])
    wanted = sorted((moment, name) for name, (of, moment) in MOMENTS.items() if of == stream)
    with Store.open(config.path / "drymon.db") as store:
        pipeline = Pipeline(config, load_models(config.path), store)
        pipeline.resume()
        left = next(messages, None)
        for moment, name in wanted:
            batch: list[Message] = []
            while left is not None and left.arrived < moment:
                batch.append(left)
                left = next(messages, None)
            for part in parts(batch):
                pipeline.batch(part, part[-1].arrived)
            pipeline.batch([], moment)
            keep(config.path / "drymon.db", OUT / f"{name}.db.gz", moment)
        rest = [left, *messages] if left is not None else []
        for part in parts(rest):
            pipeline.batch(part, part[-1].arrived)


def parts(messages: list[Message]) -> Iterator[list[Message]]:
    """Batches as a service takes them."""
    for first in range(0, len(messages), 500):
        yield messages[first : first + 500]


def keep(database: Path, out: Path, moment: datetime) -> None:
    """The home's database without what the page does not read."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy.db"
        source = sqlite3.connect(f"file:{database}?mode=ro", uri=True)
        target = sqlite3.connect(copy)
        source.backup(target)
        source.close()
        old = int((moment - READINGS_KEPT).timestamp() * 1_000_000)
        for statement in (
            *("DELETE FROM message", "DELETE FROM image", "DELETE FROM image_part", "DELETE FROM minute"),
            *("DELETE FROM hour", f"DELETE FROM reading WHERE time < {old}", "DELETE FROM gap", "DELETE FROM doubt"),
            f"DELETE FROM verdict WHERE time < {old}",
        ):
            target.execute(statement)
        target.commit()
        target.execute("PRAGMA journal_mode = DELETE")
        target.execute("VACUUM")
        target.close()
        with copy.open("rb") as plain, gzip.GzipFile(out, "wb", mtime=0) as packed:
            shutil.copyfileobj(plain, packed)
    print(f"{out.name}: {out.stat().st_size} bytes")


if __name__ == "__main__":
    main()
