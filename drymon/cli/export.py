"""`drymon export`: the record as CSV, as Parquet, as a Data Package, or as a stream that `replay` plays."""

import csv
import hashlib
import json
import sys
from argparse import Namespace
from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drymon.cli.parser import Commands

if TYPE_CHECKING:
    from drymon.store import Store
    from drymon.views.rows import Row

TABLES = ("readings", "minutes", "hours", "log", "verdicts", "alarms")
WHAT = (*TABLES, "package", "stream")
DESCRIPTOR = "datapackage.json"


def register(commands: Commands) -> None:
    """Say what `export` takes."""
    parser = commands.add_parser(
        "export",
        help="readings, log, verdicts, alarms as CSV, all of them as a Data Package, or a recorded stream",
        description="Writes a part of the record to a file: readings, what they come to by the minute or the hour, "
        "log, verdicts or alarms as CSV (UTF-8, times in UTC, default units, full precision) with a Table Schema "
        "beside it, or as Parquet; `package`: all these tables in a folder, as a Data Package; or `stream`: the "
        "messages as a recorded stream (.jsonl or .jsonl.gz) that `drymon replay` plays. Works while the service runs.",
    )
    parser.add_argument("what", choices=WHAT)
    parser.add_argument("--from", dest="from_", metavar="T", help="from this time on")
    parser.add_argument("--to", metavar="T", help="before this time")
    parser.add_argument(
        "--out",
        required=True,
        metavar="FILE",
        help="the file to write: .csv, .parquet, .jsonl; - for standard output; for a package a new folder",
    )


def run(args: Namespace) -> int:
    """Write the file and say how much is in it."""
    from drymon.cli.home import config_of, file_to_write, record_of, wall
    from drymon.messages.typed_times import typed_span

    config = config_of(args)
    begin, end = typed_span(args.from_, args.to, config.room.timezone, wall())
    if args.out != "-":
        file_to_write(args.out, config.path)
    with record_of(config) as record:
        if args.what == "package":
            count = _write_package(record, begin, end, _new_folder(args.out), config.room.name)
        elif args.what == "stream":
            count = _write_stream(record, begin, end, args.out)
        else:
            count = _write_table(args.what, _rows(record, args.what, begin, end), args.out)
    print(f"{count} {'messages' if args.what == 'stream' else 'rows'} in {args.out}", file=sys.stderr)
    return 0


def _rows(record: "Store", what: str, begin: datetime | None, end: datetime | None) -> "Iterable[Row]":
    from drymon.views.rows import alarm_rows, log_rows, reading_rows, rolled_rows, verdict_rows

    if what == "readings":
        return reading_rows(record.readings(begin, end))
    if what in ("minutes", "hours"):
        return rolled_rows(record.rolled_up(what == "hours", begin, end))
    if what == "log":
        return log_rows(record.events(begin, end))
    if what == "verdicts":
        return verdict_rows(record.verdict_history(None, begin, end))
    return alarm_rows(record.alerts(begin, end))


def _write_table(what: str, rows: "Iterable[Row]", out: str) -> int:
    """Returns the number of rows below the head."""
    from drymon.views.table_schema import schema_text

    if out == "-":
        return _each(csv.writer(sys.stdout, lineterminator="\n").writerow, rows) - 1
    if Path(out).suffix.lower() == ".parquet":
        from drymon.views.parquet import write_parquet

        return write_parquet(what, rows, Path(out))
    Path(out).with_suffix(".schema.json").write_text(schema_text(what), encoding="utf-8")
    return _write_csv(rows, Path(out))


def _write_csv(rows: "Iterable[Row]", out: Path) -> int:
    with out.open("w", encoding="utf-8", newline="") as file:
        return _each(csv.writer(file, lineterminator="\n").writerow, rows) - 1


def _new_folder(out: str) -> Path:
    """The folder that `--out` names, made where it is not there."""
    from drymon.errors import SetupError

    folder = Path(out)
    if out == "-" or (folder.exists() and (not folder.is_dir() or any(folder.iterdir()))):
        raise SetupError(
            f"--out: received {out!r}; a package is several files in a folder of its own: name one that is not there, "
            "or is empty"
        )
    folder.mkdir(exist_ok=True)
    return folder


def _write_package(record: "Store", begin: datetime | None, end: datetime | None, folder: Path, room: str) -> int:
    """Every table, and last the descriptor, so that what was not finished is no package. Returns the rows of all."""
    import drymon
    from drymon.cli.home import wall
    from drymon.messages.times import stamp
    from drymon.views.table_schema import package_of, resource_of

    count, resources = 0, []
    for what in TABLES:
        file = folder / f"{what}.csv"
        count += _write_csv(_rows(record, what, begin, end), file)
        with file.open("rb") as written:
            told = hashlib.file_digest(written, "sha256").hexdigest()
        resources.append(resource_of(what) | {"bytes": file.stat().st_size, "hash": f"sha256:{told}"})
    package = package_of(room, drymon.__version__, stamp(wall().replace(microsecond=0)), resources)
    text = json.dumps(package, indent=2, ensure_ascii=False) + "\n"
    (folder / DESCRIPTOR).write_text(text, encoding="utf-8")
    return count


def _write_stream(record: "Store", begin: datetime | None, end: datetime | None, out: str) -> int:
    from drymon.messages.streams import StreamWriter, format_line

    messages = record.messages(begin, end)
    if out == "-":
        return _each(lambda message: print(format_line(message)), messages)
    with StreamWriter(Path(out)) as writer:
        return _each(writer.write, messages)


def _each(write: Callable[[Any], Any], items: Iterable[Any]) -> int:
    count = 0
    for item in items:
        write(item)
        count += 1
    return count
