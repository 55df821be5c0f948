"""A room's replay as a job: in a fresh home of the worker's own, so that the room's own home stays as it is."""

import contextlib
import io
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from drymon.jobs.keys import key_of
from drymon.jobs.running import Job, Work
from drymon.messages.config import ROOM_FILE, load_home
from drymon.messages.home import MODELS_FOLDER
from drymon.service.replay import replay


def replay_room(home: Path, stream: Path) -> Work:
    """Returns how many messages were played, and the bytes that `drymon replay STREAM --out` writes in a new home with
    this one's room.toml and models. Raises OSError where a file cannot be read.
    """
    files = {ROOM_FILE: (home / ROOM_FILE).read_bytes()}
    files |= {f"{MODELS_FOLDER}/{file.name}": file.read_bytes() for file in (home / MODELS_FOLDER).glob("*.toml")}
    played = (files, stream.name, stream.read_bytes())
    (said,) = yield [Job("replay", key_of("replay", *played), played_back, played)]
    return said


def played_back(files: Mapping[str, bytes], name: str, stream: bytes) -> tuple[int, bytes]:
    """Play a stream into a home made of these files, which is gone afterwards. name: of the stream's file, whose ending
    says what it is.
    """
    with TemporaryDirectory(prefix="drymon-replay-") as folder:
        home = Path(folder) / "home"
        (home / MODELS_FOLDER).mkdir(parents=True)
        for path, content in files.items():
            (home / path).write_bytes(content)
        (Path(folder) / name).write_bytes(stream)
        out = Path(folder) / "said.jsonl"
        config = replace(load_home(home), store_url=None)
        with contextlib.redirect_stderr(io.StringIO()):  # its progress belongs to no terminal of ours
            count = replay(config, [Path(folder) / name], out)
        return count, out.read_bytes()
