"""Results of jobs that are done, kept by key in a folder of the home: who starts again does only what is left.

They are pickled: a folder that others may write to would run what they put there, so it belongs to its owner alone.
"""

import logging
import os
import pickle
from collections.abc import Iterable
from contextlib import suppress
from hashlib import blake2b
from pathlib import Path
from typing import Any

log = logging.getLogger(__name__)

FOLDER = "jobs"
_DIGEST = 32


class Results:
    """Those of one home and one kind of work. Not for several processes at once."""

    def __init__(self, home: Path, kind: str) -> None:
        self._folder = home / FOLDER / kind

    def get(self, key: str) -> list[Any]:
        """The result in a list, or an empty one: there is none, or it was cut off, damaged, or is not the owner's."""
        path = self._path(key)
        try:
            if self._folder.stat().st_uid != os.getuid():
                return []
            kept = path.read_bytes()
        except OSError:
            return []
        digest, content = kept[:_DIGEST], kept[_DIGEST:]
        if blake2b(content, digest_size=_DIGEST).digest() != digest:
            log.warning("%s is damaged; the job is done again", path)
            return []
        return [pickle.loads(content)]

    def put(self, key: str, result: Any) -> None:
        """Keep it; where it cannot be kept, the job is done again the next time."""
        content = pickle.dumps(result, protocol=5)
        new = self._path(key).with_suffix(".new")
        try:
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            new.write_bytes(blake2b(content, digest_size=_DIGEST).digest() + content)
            new.replace(self._path(key))
        except OSError as error:
            log.warning("%s cannot be kept (%s): the job is done again the next time", new, error)

    def keep_only(self, keys: Iterable[str]) -> None:
        """Throw away all results but these: the others are of inputs that have changed since."""
        kept = {self._path(key) for key in keys}
        for path in self._folder.glob("*.result"):
            if path not in kept:
                with suppress(OSError):
                    path.unlink()

    def _path(self, key: str) -> Path:
        return self._folder / f"{key}.result"
