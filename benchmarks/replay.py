"""What a replay costs by the length of its stream and the number of trees: seconds of CPU, and the highest memory.

    python benchmarks/replay.py [--days 1 7 28] [--trees 8] [--racks 2] [--cells 1] [--keep FOLDER]

Each rack tells temperature, humidity and air speed each minute, each of the load cells a mass; each tree gets its ten
coats and leaves, and the next one hangs in its place: with eight trees a week has 140 dips of 17 shells. Every stream
is replayed in a process of its own, which is what `drymon replay` is; the figures are the kernel's account of it.
`--keep` leaves streams and `--out` files there, for comparing what another version says of them.
"""

import argparse
import json
import math
import os
import random
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

BEGIN = datetime(2031, 3, 3, tzinfo=UTC)
COATS = ("prime-first", "prime-fine", "prime-fine", *["backup"] * 6, "seal")


def home(folder: Path, racks: int, cells: int) -> Path:
    folder.mkdir()
    hung = "".join(f'[[rack]]\nname = "rack-{i}"\n' for i in range(racks))
    families = {"prime-first": "prime", "prime-fine": "prime", "backup": "backup", "seal": "seal"}
    coats = "".join(f'[[coat]]\nname = "{coat}"\nfamily = "{family}"\n' for coat, family in families.items())
    recipe = f'[[recipe]]\nname = "standard"\ncoats = {json.dumps(COATS)}\n'
    scales = "".join(f'[[cell]]\nname = "cell-{i}"\nrack = "rack-{i % racks}"\n' for i in range(cells))
    (folder / "room.toml").write_text(f'[room]\nname = "shop"\n{hung}{scales}{coats}{recipe}', "utf-8")
    return folder


def events(trees: int, racks: int, cells: int, days: float) -> dict[int, list[tuple[str, dict[str, object]]]]:
    """Dips and leavings by their minute: five to fourteen hours between two coats of a tree."""
    luck = random.Random(1)
    told: dict[int, list[tuple[str, dict[str, object]]]] = {}
    for place in range(trees):
        minute, shell = luck.randrange(5, 400), 0
        while minute < 1440 * days:
            shell += 1
            tree = f"t-{place}-{shell}"
            for coat in COATS:
                cell = {"cell": f"cell-{place}"} if place < cells else {}
                dip = {"tree": tree, "rack": f"rack-{place % racks}", "coat": coat, "recipe": "standard", **cell}
                told.setdefault(minute, []).append(("dip", dip))
                minute += luck.randrange(300, 840)
            told.setdefault(minute, []).append(("leave", {"tree": tree}))
            minute += luck.randrange(20, 120)
    return told


def lines(trees: int, racks: int, cells: int, days: float) -> Iterator[str]:
    """The stream, in order of time."""
    told, luck = events(trees, racks, cells, days), random.Random(2)
    for minute in range(int(1440 * days)):
        now, day = BEGIN + timedelta(minutes=minute), math.sin(minute / 1440 * math.tau)
        for rack in range(racks):
            wave = day + 0.3 * math.sin(minute / 200.0 + rack) + luck.gauss(0.0, 0.05)
            values = {"temperature": 21 + wave, "humidity": 48 - 3 * wave, "airflow": max(0.05, 0.6 + wave / 9)}
            for place, (quantity, value) in enumerate(values.items()):
                yield line(now, 7 * rack + place, f"rack-{rack}/{quantity}", f"{value:.2f}")
        for cell in range(cells):
            mass = 3.0 + 0.1 * math.exp(-((minute + 37 * cell) % 570) / 90.0)
            yield line(now, 40 + cell % 10, f"rack-{cell % racks}/weight/cell-{cell}", f"{mass:.4f}")
        for event, said in told.get(minute, []):
            yield line(now, 50, f"log/{event}", json.dumps(said))


def line(minute: datetime, second: int, topic: str, payload: str) -> str:
    time = minute + timedelta(seconds=second)
    return (
        json.dumps({"time": f"{time:%Y-%m-%dT%H:%M:%SZ}", "topic": f"drymon/shop/{topic}", "payload": payload}) + "\n"
    )


def replayed(home: Path, stream: Path, out: Path) -> tuple[float, float]:
    """CPU in seconds and the highest resident memory in MB of one `drymon replay`."""
    words = [sys.executable, "-P", "-m", "drymon.cli", "replay", str(stream), "--home", str(home), "--out", str(out)]
    quiet = [(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)]
    pid = os.posix_spawn(sys.executable, words, os.environ, file_actions=quiet)
    _, status, used = os.wait4(pid, 0)
    if status:
        sys.exit(f"the replay of {stream} ended with {os.waitstatus_to_exitcode(status)}")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1000


def measure(folder: Path, days: list[float], trees: int, racks: int, cells: int) -> None:
    print(f"{trees} trees, {cells} of them weighed, {racks} racks")
    print(f"{'days':>5}{'CPU s':>9}{'a week':>9}{'of the first':>14}{'MB':>8}{'of the first':>14}")
    first: tuple[float, float] | None = None
    for span in days:
        stream = folder / f"{trees}-{racks}-{cells}-{span:g}.jsonl"
        with stream.open("w") as file:
            file.writelines(lines(trees, racks, cells, span))
        cpu, memory = replayed(home(folder / stream.stem, racks, cells), stream, stream.with_suffix(".out.jsonl"))
        weekly = cpu * 7 / span
        first = first or (weekly, memory)
        ratios = weekly / first[0], memory / first[1]
        print(f"{span:5g}{cpu:9.1f}{weekly:9.1f}{ratios[0]:14.2f}{memory:8.0f}{ratios[1]:14.2f}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=float, nargs="+", default=[1.0, 7.0])
    parser.add_argument("--trees", type=int, default=8)
    parser.add_argument("--racks", type=int, default=2)
    parser.add_argument("--cells", type=int, default=0)
    parser.add_argument("--keep", type=Path)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        measure(args.keep or Path(name), args.days, args.trees, args.racks, args.cells)


if __name__ == "__main__":
    main()
