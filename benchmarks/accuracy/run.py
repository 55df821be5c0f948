"""Judges drymon: fit rooms -> `drymon fit` -> trial rooms through `drymon replay`, against the truth. Prints
the tables.

    python -m benchmarks.accuracy.run                          # 5 worlds x 4 airs x 5 seeds, 12 weighed runs
    python -m benchmarks.accuracy.run --worlds soak --airs steady --seeds 1 --runs 0 2 12
    python -m benchmarks.accuracy.run --worlds layers --fault stuck
    python -m benchmarks.accuracy.run --shut                   # the worlds that are kept shut, too

Only drymon's commands are used, nothing of its inside.
"""

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path

from benchmarks.accuracy import tables
from benchmarks.accuracy.air import AIRS
from benchmarks.accuracy.baselines import baseline_errors
from benchmarks.accuracy.result import Result
from benchmarks.accuracy.rooms import RoomRecord, make_room
from benchmarks.accuracy.score import read_verdicts, score
from benchmarks.accuracy.sensors import FAULTS
from benchmarks.accuracy.worlds.by_name import SHUT, WORLDS, allowed


def drymon(*words: str) -> None:
    """Runs a drymon command; its own words on stderr if it fails."""
    done = subprocess.run(
        [sys.executable, "-P", "-m", "drymon.cli", *words], capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        raise RuntimeError(f"drymon {' '.join(words)}: exit {done.returncode}\n{done.stderr[-2000:]}")


def learn(fit: RoomRecord, folder: Path) -> Path | None:
    """A home that has seen the fit room and fitted its coats; the folder of models, None where none were
    written."""
    fit.save(folder)
    home = folder / "home"
    home.mkdir()
    shutil.copy(folder / "room.toml", home)
    drymon("replay", str(folder / "stream.jsonl.gz"), "--home", str(home), "--out", str(folder / "out.jsonl"))
    drymon("fit", "--home", str(home))
    models = home / "models"
    return models if models.is_dir() else None


def examine(world: str, air: str, seed: int, runs: int, fault: str, folder: Path) -> Result:
    """One fit room and one trial room of a shop."""
    notes: list[str] = []
    fit = make_room(world, air, seed, part="fit", weighed_runs=runs)
    trial = make_room(world, air, seed, part="trial", fault=fault)
    began = time.monotonic()
    models = None
    if runs:
        try:
            models = learn(fit, folder / "fit")
        except RuntimeError as error:
            notes.append(str(error))
    fitted = time.monotonic()
    trial.save(folder / "trial")
    home = folder / "trial" / "home"
    home.mkdir()
    shutil.copy(folder / "trial" / "room.toml", home)
    if models is not None:
        shutil.copytree(models, home / "models")
    out = folder / "trial" / "out.jsonl"
    drymon("replay", str(folder / "trial" / "stream.jsonl.gz"), "--home", str(home), "--out", str(out))
    rows = score(trial, read_verdicts(out, trial))
    done = time.monotonic()
    return Result(world, air, seed, runs, rows, baseline_errors(fit, trial), fitted - began, done - fitted, notes)


def _job(task: tuple[str, str, int, int, str, str | None]) -> Result:
    world, air, seed, runs, fault, keep = task
    if keep:
        folder = Path(keep) / f"{world}-{air}-{seed}-{runs}-{fault}"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        return examine(world, air, seed, runs, fault, folder)
    with tempfile.TemporaryDirectory() as scratch:
        return examine(world, air, seed, runs, fault, Path(scratch))


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--worlds", nargs="+", help=f"of {', '.join(WORLDS)}; default: all of them")
    parser.add_argument("--shut", action="store_true", help="open the worlds that are kept shut, too")
    parser.add_argument("--airs", nargs="+", default=list(AIRS), choices=AIRS)
    parser.add_argument("--seeds", type=int, default=5, help="seeds 1 to this number")
    parser.add_argument("--only", type=int, help="one seed alone")
    parser.add_argument("--runs", type=int, nargs="+", default=[12], help="weighed runs per coat type")
    parser.add_argument("--fault", default="none", choices=FAULTS, help="what goes wrong in the trial rooms")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", help="folder that keeps homes, streams and verdicts")
    parser.add_argument("--json", type=Path, help="all rows, for later")
    args = parser.parse_args()
    args.worlds = args.worlds or [*WORLDS, *(SHUT if args.shut else ())]
    for world in args.worlds:
        try:
            allowed(world, args.shut)
        except ValueError as error:
            parser.error(f"--worlds: {error}")
    return args


def main() -> None:
    """Command line."""
    args = _arguments()
    seeds = [args.only] if args.only is not None else range(1, args.seeds + 1)
    tasks = [
        (world, air, seed, runs, args.fault, args.keep)
        for world in args.worlds for air in args.airs for seed in seeds for runs in args.runs
    ]  # fmt: skip
    results: list[Result] = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for result in pool.map(_job, tasks):
            results.append(result)
            print(
                f"{result.world} {result.air} seed {result.seed} runs {result.runs}: {len(result.rows)} dips, "
                f"fit {result.fit_s:.0f} s, replay {result.replay_s:.0f} s {' '.join(result.notes)}",
                file=sys.stderr, flush=True,
            )  # fmt: skip
    if args.json:
        args.json.write_text(json.dumps([asdict(r) for r in results]))
    for table in tables.all_tables(results):
        print(table, end="\n\n")


if __name__ == "__main__":
    main()
