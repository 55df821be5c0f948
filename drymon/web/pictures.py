"""Pictures, records and labels for the page, made by a child process that ends; pictures are kept while nothing is
new.
"""

import logging
import subprocess
import sys
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

from drymon.messages.settings import Where
from drymon.service.clock import Clock
from drymon.store import Store
from drymon.views.page.ports import Picture

log = logging.getLogger(__name__)

LARGEST_CACHE = 2_000_000  # bytes; an SVG of a tree or a year has some 50,000
PATIENCE_S = 20.0
RECORD_PATIENCE_S = 120.0  # a shell of ten coats, on a small computer
MOST_WAITING = 3  # of the page's threads: the others go on showing the room
FINEST = timedelta(minutes=1)
Key = tuple[Picture, datetime]


class Pictures:
    """Has pictures, records and labels made one after another; keeps pictures by what was asked and the last of the
    record then.
    """

    def __init__(self, home: Path, database: Where, clock: Clock) -> None:
        self._home, self._database, self._clock = home, database, clock
        self._kept: OrderedDict[Key, bytes] = OrderedDict()
        self._working = threading.Lock()  # one child at a time: each takes some 100 MB for its seconds
        self._waiting = threading.BoundedSemaphore(MOST_WAITING)
        self._lock = threading.Lock()

    def get(self, picture: Picture) -> bytes | None:
        """The picture as SVG; None where it cannot be drawn now."""
        key = (picture, self._last_row(picture))
        if (kept := self._find(key)) is not None:
            return kept
        with self._turn(PATIENCE_S) as mine:
            return (self._find(key) or self._draw(key)) if mine else None

    def report(self, tree: str, ending: str) -> bytes | None:
        """A tree's record to keep, `html` or `pdf`; None where it cannot be written now."""
        with self._turn(PATIENCE_S) as mine:
            words = ["drymon.views.report", str(self._home), str(self._database), tree]
            return made_by_child(words, f"{tree}.{ending}", RECORD_PATIENCE_S) if mine else None

    def labels(self, words: list[str]) -> bytes | None:
        """Sheets of labels as a PDF, by the words of `drymon labels`; None where they cannot be made now."""
        with self._turn(PATIENCE_S) as mine:
            command = ["drymon.cli", "labels", "--home", str(self._home), *words, "--out"]
            return made_by_child(command, "labels.pdf", RECORD_PATIENCE_S) if mine else None

    @contextmanager
    def _turn(self, patience_s: float) -> Iterator[bool]:
        """Whether this thread may have a child work now: one at a time, and few that wait."""
        if not self._waiting.acquire(blocking=False):
            yield False
            return
        try:
            mine = self._working.acquire(timeout=patience_s)
            try:
                yield mine
            finally:
                if mine:
                    self._working.release()
        finally:
            self._waiting.release()

    def _last_row(self, picture: Picture) -> datetime:
        """The last arrival, as coarsely as the picture can show it: a year's picture is not drawn anew every minute."""
        step = max(FINEST, timedelta(hours=picture.hours) / 400)
        with Store.open(self._database, readonly=True) as store:
            last = store.last_arrival() or self._clock.wall()
        since = last - datetime.fromtimestamp(0, last.tzinfo)
        return last - since % step

    def _find(self, key: Key) -> bytes | None:
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def _draw(self, key: Key) -> bytes | None:
        picture = key[0]
        words = ["drymon.views.page.draw", str(self._home), str(self._database), picture.kind, picture.name]
        words += [str(picture.hours), self._clock.wall().isoformat()]
        drawn = made_by_child(words, "picture.svg", PATIENCE_S)
        return None if drawn is None else self._keep(key, drawn)

    def _keep(self, key: Key, drawn: bytes) -> bytes:
        with self._lock:
            for old in [kept for kept in self._kept if kept[0] == key[0]]:
                del self._kept[old]
            self._kept[key] = drawn
            while sum(map(len, self._kept.values())) > LARGEST_CACHE and len(self._kept) > 1:
                self._kept.popitem(last=False)
        return drawn


def made_by_child(words: list[str], name: str, patience_s: float) -> bytes | None:
    """What `python -m WORDS... FILE` writes; None, and a line in the log, where it does not."""
    with tempfile.TemporaryDirectory(prefix="drymon-picture-") as folder:
        file = Path(folder) / name
        try:
            command = [sys.executable, "-P", "-m", *words, str(file)]
            done = subprocess.run(command, capture_output=True, timeout=patience_s, check=False)
        except (subprocess.TimeoutExpired, OSError) as error:
            log.warning("no %s of %s: %s", name, words[3:5], error)
            return None
        if done.returncode != 0:
            why = done.stderr.decode(errors="replace").strip().splitlines()
            log.info("no %s of %s: %s", name, words[3:5], why[-1] if why else "no word")
            return None
        return file.read_bytes()
