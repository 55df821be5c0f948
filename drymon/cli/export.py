"""`drymon export`: the record as CSV, or as a stream that `replay` plays."""

import csv
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

WHAT = ("readings", "log", "verdicts", "alarms", "stream")


def register(commands: Commands) -> None:
    """Say what `export` takes."""
    parser = commands.add_parser(
        "export",
        help="readings, log, verdicts, alarms as CSV, or a recorded stream",
        description="Writes a part of the record to a file: readings, log, verdicts or alarms as CSV (UTF-8, times in "
        "UTC, default units, full precision) with a Table Schema beside it, or as Parquet; or `stream`: the messages "
        "as a recorded stream (.jsonl or .jsonl.gz) that `drymon replay` plays. Works while the service runs.",
    )
    parser.add_argument("what", choices=WHAT)
    parser.add_argument("--from", dest="from_", metavar="T", help="from this time on")
    parser.add_argument("--to", metavar="T", help="before this time")
    parser.add_argument(
        "--out", required=True, metavar="FILE", help="the file to write: .csv, .parquet, .jsonl; - for standard output"
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
        if args.what == "stream":
            count = _write_stream(record, begin, end, args.out)
        else:
            count = _write_table(args.what, _rows(record, args.what, begin, end), args.out)
    print(f"{count} {'messages' if args.what == 'stream' else 'rows'} in {args.out}", file=sys.stderr)
    return 0


def _rows(record: "Store", what: str, begin: datetime | None, end: datetime | None) -> "Iterable[Row]":
    from drymon.views.rows import alarm_rows, log_rows, reading_rows, verdict_rows

    if what == "readings":
        return reading_rows(record.readings(begin, end))
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
    with Path(out).open("w", encoding="utf-8", newline="") as file:
        return _each(csv.writer(file, lineterminator="\n").writerow, rows) - 1


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
