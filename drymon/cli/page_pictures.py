"""Pictures for the page: drawn by a child process that ends, kept while nothing new is on record."""

import logging
import subprocess
import sys
import tempfile
import threading
from collections import OrderedDict
from datetime import datetime, timedelta
from pathlib import Path

from drymon.service.clock import Clock
from drymon.store import Store
from drymon.views.page.ports import Picture

log = logging.getLogger(__name__)

LARGEST_CACHE = 2_000_000  # bytes; an SVG of a tree or a year has some 50,000
PATIENCE_S = 20.0
FINEST = timedelta(minutes=1)
Key = tuple[Picture, datetime]


class Pictures:
    """Draws pictures one after another, and keeps them by what was asked and the last of the record then."""

    def __init__(self, home: Path, database: Path, clock: Clock) -> None:
        self._home, self._database, self._clock = home, database, clock
        self._kept: OrderedDict[Key, bytes] = OrderedDict()
        self._drawing = threading.Lock()  # one child at a time: each takes some 100 MB for its second
        self._lock = threading.Lock()

    def get(self, picture: Picture) -> bytes | None:
        """The picture as SVG; None where it cannot be drawn now."""
        key = (picture, self._last_row(picture))
        if (kept := self._find(key)) is not None:
            return kept
        if not self._drawing.acquire(timeout=PATIENCE_S):
            return None
        try:
            return self._find(key) or self._draw(key)
        finally:
            self._drawing.release()

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
        with tempfile.TemporaryDirectory(prefix="drymon-picture-") as folder:
            file = Path(folder) / "picture.svg"
            command = [sys.executable, "-m", "drymon.views.page.draw", str(self._home), str(self._database)]
            command += [picture.kind, picture.name, str(picture.hours), self._clock.wall().isoformat(), str(file)]
            try:
                done = subprocess.run(command, capture_output=True, timeout=PATIENCE_S, check=False)
            except (subprocess.TimeoutExpired, OSError) as error:
                log.warning("no picture of %s %s: %s", picture.kind, picture.name, error)
                return None
            if done.returncode != 0:
                why = done.stderr.decode(errors="replace").strip().splitlines()
                log.info("no picture of %s %s: %s", picture.kind, picture.name, why[-1] if why else "no word")
                return None
            return self._keep(key, file.read_bytes())

    def _keep(self, key: Key, drawn: bytes) -> bytes:
        with self._lock:
            for old in [kept for kept in self._kept if kept[0] == key[0]]:
                del self._kept[old]
            self._kept[key] = drawn
            while sum(map(len, self._kept.values())) > LARGEST_CACHE and len(self._kept) > 1:
                self._kept.popitem(last=False)
        return drawn
