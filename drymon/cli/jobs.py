"""`drymon jobs`: fits, judgements and replays of many rooms, beside each other and on several machines."""

import sys
from argparse import Namespace
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drymon.cli.parser import CommandParser, Commands

if TYPE_CHECKING:
    from drymon.jobs.results import Results
    from drymon.jobs.running import Crew, Progress, Work
    from drymon.messages.settings import HomeConfig

ENDINGS = (".jsonl", ".jsonl.gz")


def register(commands: Commands) -> None:
    """Say what `jobs` takes."""
    parser = commands.add_parser(
        "jobs",
        help="fits and replays of many rooms, beside each other",
        description="Fits, judgements and replays of all rooms whose homes lie in one folder, cut into jobs that run "
        "beside each other: in processes on this machine, or by the workers of a scheduler on several. What is done is "
        "kept in each home's folder `jobs`, and is not done again while its inputs stay the same. Results are those "
        "of one job after another. Ends with 1 where a room could not be done, or a fit is doubted.",
    )
    acts = parser.add_subparsers(dest="act", metavar="ACT", required=True)
    for act, what in (
        ("fit", "fit every room's coats, and write models/*.toml in each home"),
        ("judge", "forecast each run left out by what the others teach; writes nothing but results"),
        ("replay", "play a stream for each room through a fresh home with its room.toml and models"),
    ):
        of = acts.add_parser(act, help=what, description=f"{what.capitalize()}.")
        _common(of)
        if act == "replay":
            of.add_argument("--streams", metavar="DIR", required=True, help="streams, each named as its home's folder")
            of.add_argument("--out", metavar="DIR", required=True, help="a folder for what each room said")


def _common(parser: CommandParser) -> None:
    parser.add_argument("--homes", metavar="DIR", required=True, help="the folder in which the homes lie")
    parser.add_argument("--workers", metavar="N", type=int, help="processes on this machine (default: one a core)")
    parser.add_argument("--scheduler", metavar="ADDRESS", help="of a running one, as tcp://10.0.0.5:8786: its workers")
    parser.add_argument("--one-by-one", action="store_true", help="one job after another, in this process")


def run(args: Namespace) -> int:
    """Do it for every room; tell in the order of the homes."""
    from drymon.errors import SetupError
    from drymon.jobs.running import Running, ending_of
    from drymon.messages.home import homes_in

    homes = {home.name: home for home in homes_in(_folder("--homes", args.homes))}
    if not homes:
        raise SetupError(f"--homes: received {args.homes!r}; no folder in it has a room.toml: make one by drymon init")
    tell = _replayed(Path(args.out)) if args.act == "replay" else _fitted(args.act == "fit")
    rooms, waiting, endings, worst = _rooms(args, homes), list(homes), {}, 0
    with _crew(args) as crew:
        for name, ending in Running(crew, _say).run(rooms):
            endings[name] = ending
            while waiting and waiting[0] in endings:
                first = waiting.pop(0)
                failure = ending_of(endings[first])
                if failure:
                    print(f"drymon: {first}: {failure}", file=sys.stderr)
                worst = max(worst, 1 if failure else tell(first, endings.pop(first)))
    return worst


def _rooms(args: Namespace, homes: Mapping[str, Path]) -> "dict[str, tuple[Work, Results]]":
    from drymon.jobs.results import Results

    if args.act == "replay":
        from drymon.jobs.replays import replay_room

        streams = {name: _stream(_folder("--streams", args.streams), name) for name in homes}
        return {name: (replay_room(home, streams[name]), Results(home, "replay")) for name, home in homes.items()}
    return {name: (_fit(home, args.act == "fit"), Results(home, "fit")) for name, home in homes.items()}


def _crew(args: Namespace) -> "AbstractContextManager[Crew]":
    from drymon.errors import SetupError
    from drymon.jobs.running import OneByOne

    ways = [args.workers is not None, args.scheduler is not None, args.one_by_one]
    if sum(ways) > 1:
        raise SetupError("received several of --workers, --scheduler, --one-by-one; allowed is one of them")
    if args.workers is not None and not 1 <= args.workers <= 1000:
        raise SetupError(f"--workers: received {args.workers}; allowed is 1 to 1000")
    if args.one_by_one:
        return nullcontext(OneByOne())
    from drymon.jobs.cluster import workers

    return workers(args.workers, args.scheduler)


def _folder(option: str, given: str) -> Path:
    from drymon.errors import SetupError

    if not Path(given).is_dir():
        raise SetupError(f"{option}: received {given!r}; there is no such folder")
    return Path(given)


def _stream(folder: Path, name: str) -> Path:
    from drymon.errors import SetupError

    for ending in ENDINGS:
        if (folder / f"{name}{ending}").is_file():
            return folder / f"{name}{ending}"
    raise SetupError(f"--streams: {folder} has no {name}.jsonl or {name}.jsonl.gz: each home in --homes needs its own")


def _say(progress: "Progress") -> None:
    how = " (done before)" if progress.kept else f": {progress.error}" if progress.error else ""
    print(f"{progress.room}: {progress.words}{how}", file=sys.stderr, flush=True)


def _fit(home: Path, write: bool) -> "Work":
    """Returns the lines to be told, and whether a model is doubted."""
    from drymon.cli.fit import details, keep, runs_to_fit, starts_of, told
    from drymon.jobs.fits import fit_room
    from drymon.messages.config import load_home
    from drymon.store.lock import FitLock

    config: HomeConfig = load_home(home)
    with FitLock(home):
        runs = runs_to_fit(config)
        fits = yield from fit_room(runs, starts_of(config, runs))
        paths = {fit.model.name: path for fit, path in keep(config, runs, fits)} if write else {}
    lines = []
    for fit in fits:
        lines += told(fit, runs, config.room) if write else [f"{fit.model.name}:", *details(fit)]
        lines += [f"written: {paths[fit.model.name]}"] if write else []
    return lines, any(fit.model.doubt for fit in fits)


def _fitted(write: bool) -> Callable[[str, Any], int]:
    def tell(name: str, ending: tuple[list[str], bool]) -> int:
        lines, doubted = ending
        print("\n  ".join([name, *lines]) + "\n", flush=True)
        if doubted and write:
            print(f"{name}: a curve misses its runs; look at them by drymon fit --report DIR", file=sys.stderr)
        return int(doubted)

    return tell


def _replayed(out: Path) -> Callable[[str, Any], int]:
    out.mkdir(parents=True, exist_ok=True)

    def tell(name: str, ending: tuple[int, bytes]) -> int:
        count, said = ending
        (out / f"{name}.jsonl").write_bytes(said)
        print(f"{name}: {count} messages played, written: {out / name}.jsonl", flush=True)
        return 0

    return tell
