"""`drymon jobs`: by real workers the same as one by one, to the byte."""

import json
import math
import re
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from drymon.cli.main import main
from drymon.jobs.cluster import workers
from tests.learning.weighed_stream import bench_run, line

ROOM = '[room]\nname = "shop"\n[[rack]]\nname = "rack-a"\n[[coat]]\nname = "backup"\nfamily = "backup"\n'
ROOT = str(Path(__file__).parents[2])
RUNS = {"north": (1.0, 1.5), "south": (0.5,)}
"""Hours at which trees of each room are dipped."""


def stream_of(dips: tuple[float, ...]) -> str:
    lines = []
    for minute in range(0, round(60 * (dips[-1] + 5.5)), 3):
        lines.append(line(minute / 60.0, "rack-a/temperature", "21.0"))
        lines.append(line(minute / 60.0 + 0.002, "rack-a/humidity", f"{48 + 2 * math.sin(minute / 90):.1f}"))
        lines.append(line(minute / 60.0 + 0.004, "rack-a/airflow", "0.6"))
    for number, begin in enumerate(dips):
        lines += bench_run(f"t-{number}", begin)
    return "".join(json.dumps(each) + "\n" for _, each in sorted(lines, key=lambda pair: pair[0]))


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """The address of two workers on this machine, as `--workers 2` begins them.

    They look for drymon where this process does, in which tests have put the checkout first: the one that is installed
    is meant.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "path", sorted(sys.path, key=lambda folder: folder == ROOT))
        with workers(2) as crew:
            yield crew.address


@pytest.fixture(scope="module")
def rooms(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two rooms that were weighed, fitted one by one; beside them what was played, and what was said."""
    folder = tmp_path_factory.mktemp("rooms")
    for name in ("streams", "said", "homes"):
        (folder / name).mkdir()
    for name, dips in RUNS.items():
        home = folder / "homes" / name
        home.mkdir()
        (home / "room.toml").write_text(ROOM)
        stream = folder / "streams" / f"{name}.jsonl"
        stream.write_text(stream_of(dips))
        assert main(["replay", str(stream), "--home", str(home), "--out", str(folder / "said" / f"{name}.jsonl")]) == 0
    shutil.copytree(folder / "homes", folder / "bare")
    for name in RUNS:
        main(["fit", "--home", str(folder / "homes" / name)])
    return folder


def files(folder: Path, pattern: str) -> dict[str, bytes]:
    return {str(file.relative_to(folder)): file.read_bytes() for file in folder.glob(pattern)}


def test_fits_by_workers_are_those_of_one_after_another(rooms: Path, scheduler: str, tmp_path: Path, capsys) -> None:
    homes = shutil.copytree(rooms / "bare", tmp_path / "homes")
    capsys.readouterr()
    assert main(["jobs", "judge", "--homes", str(homes), "--scheduler", scheduler]) == 0
    judged = capsys.readouterr()
    assert not list(homes.glob("*/models/*"))
    assert re.search(r"north\n  backup:\n.*run left out .*\n +t-0\.1\.20310303T0700 ", judged.out, re.DOTALL)
    assert "north: part 2 of 2 left out\n" in judged.err
    assert main(["jobs", "fit", "--homes", str(homes), "--one-by-one"]) == 0
    told = capsys.readouterr()
    assert "north: part 2 of 2 left out (done before)" in told.err
    assert {line.endswith("(done before)") for line in told.err.splitlines()} == {True}, "nothing is done twice"
    assert told.out.index("north\n") < told.out.index("south\n")
    wanted = files(rooms / "homes", "*/models/*.toml")
    assert sorted(wanted) == ["north/models/backup.toml", "south/models/backup.toml"]
    assert files(homes, "*/models/*.toml") == wanted


def test_replays_by_workers_are_those_of_one_after_another(rooms: Path, scheduler: str, tmp_path: Path, capsys) -> None:
    homes = shutil.copytree(rooms / "bare", tmp_path / "homes")
    before = files(homes, "*/drymon.db")
    words = ["--homes", str(homes), "--streams", str(rooms / "streams"), "--out", str(tmp_path / "out")]
    assert main(["jobs", "replay", *words, "--scheduler", scheduler]) == 0
    assert re.search(r"north: \d+ messages played", capsys.readouterr().out)
    assert files(tmp_path / "out", "*") == files(rooms / "said", "*")
    assert files(homes, "*/drymon.db") == before, "the homes stay as they were"


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["fit", "--homes", "."], 2, "no folder in it has a room.toml"),
        (["fit", "--homes", "nosuch"], 2, "--homes: received 'nosuch'; there is no such folder"),
        (["fit", "--workers", "0"], 2, "--workers: received 0; allowed is 1 to 1000"),
        (["fit", "--workers", "1", "--one-by-one"], 2, "allowed is one of them"),
        (["fit", "--scheduler", "tcp://127.0.0.1:9"], 1, "nobody answers there"),
        (["fit", "--scheduler", "here"], 1, "--scheduler: received 'here'"),
        (["replay", "--streams", ".", "--out", "out"], 2, "has no north.jsonl or north.jsonl.gz"),
    ],
)
def test_what_cannot_be_is_told(
    rooms: Path, tmp_path: Path, monkeypatch, capsys, words: list[str], code: int, told: str
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("drymon.jobs.cluster.PATIENCE_S", 1)
    homes = [] if "--homes" in words else ["--homes", str(rooms / "bare")]
    assert main(["jobs", *words, *homes]) == code
    assert told in capsys.readouterr().err


def test_without_the_library_the_extra_is_named(rooms: Path, monkeypatch, capsys) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)  # as where it is not installed
    assert main(["jobs", "fit", "--homes", str(rooms / "bare")]) == 1
    assert "pip install 'drymon[jobs]', or ask for --one-by-one" in capsys.readouterr().err
