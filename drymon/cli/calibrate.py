"""`drymon calibrate`: load cells, humidity, air speed and temperature sensors against references."""

import csv
import sys
from argparse import Namespace, _SubParsersAction
from collections.abc import Callable, Iterable
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drymon.learning.calibration import Calibrated
    from drymon.messages.settings import HomeConfig

DUE_DAYS = {"cell": 90, "humidity": 180, "airflow": 365, "temperature": 365}
"""When to look again (common practice, no source)."""

COLUMNS = {
    "cell": ("known_kg", "reading_kg"),
    "humidity": ("salt", "temperature_c", "reading_pct"),
    "airflow": ("reference", "reading"),
    "temperature": ("reference", "reading"),
}

WALKS = {
    "cell": (
        "Empty the hook and let the cell settle for a minute. Hang known masses on it, from nothing up to the\n"
        "heaviest tree and down again, one or two repeated. Keep from under the load; it needs a second catch."
    ),
    "humidity": (
        "Put the sensor into a closed jar over a saturated salt slurry (wet crystals, not in the liquid), at\n"
        "one steady temperature between 15 and 30 degC, and wait for half a day. Gloves; wash your hands;\n"
        "some salts irritate."
    ),
    "airflow": "Hold the reference right beside the sensor, in the same draught, and average both over a minute.",
    "temperature": "Put sensor and reference into the same moving air, or into one stirred bath in bags; wait 15 min.",
}


def register(commands: "_SubParsersAction[Any]") -> None:
    """Say what `calibrate` takes."""
    parser = commands.add_parser(
        "calibrate",
        help="load cell, humidity and airflow sensors against references",
        description="Compares a sensor with a reference, keeps what was found with its date, and from then on corrects "
        "the sensor's readings; what is found unfit is not kept. Without --points it leads through the steps at the "
        "terminal.",
    )
    kinds = parser.add_subparsers(dest="kind", metavar="KIND", required=True)
    for kind, columns in COLUMNS.items():
        one = kinds.add_parser(kind, help=f"a {kind} sensor" if kind != "cell" else "a load cell")
        one.add_argument("sensor", help="the cell's name" if kind == "cell" else "place, or place/sensor")
        one.add_argument("--points", metavar="FILE", help=f"CSV with the columns {','.join(columns)}; - for stdin")
        one.add_argument("--due-days", type=int, default=DUE_DAYS[kind], help="when it is due again (%(default)s)")
        one.add_argument("--dry-run", action="store_true", help="say what would be found, keep nothing")
        if kind == "cell":
            one.add_argument(
                "--interval", default="1g", help="verification interval, such as 1g or 0.005kg (%(default)s)"
            )
            one.add_argument("--class", dest="accuracy", default="III", help="accuracy class I to IIII (%(default)s)")
    kinds.add_parser("list", help="what was calibrated when, and what is due")


def run(args: Namespace) -> int:
    """Calibrate one sensor, or list."""
    from drymon.cli.home import config_of

    config = config_of(args)
    if args.kind == "list":
        return _list(config.path)
    if not args.dry_run:
        check_known(config, args.kind, args.sensor)
    rows = _rows(args.kind, args.points) if args.points else _walk(args.kind)
    found = evaluate(args.kind, rows, getattr(args, "interval", ""), getattr(args, "accuracy", ""))
    print(f"{args.sensor}: {found.verdict}")
    for line in found.lines:
        print(f"  {line}")
    if not found.good:
        return _unfit(args)
    if not args.dry_run:
        _keep(args, config, found, rows)
    return 0


def _unfit(args: Namespace) -> int:
    """A correction that does not bring the sensor to its reference would spoil every reading."""
    finer = "; if a coarser scale will do, say its --interval" if args.kind == "cell" else ""
    print(
        f"drymon calibrate: not kept, {args.sensor}'s readings stay as they are: check the points, the reference and "
        f"the sensor, and calibrate it again{finer}",
        file=sys.stderr,
    )
    return 1


def sensor_key(kind: str, sensor: str) -> str:
    """The name under which a correction is looked up: a cell's own name, else place/quantity[/sensor]."""
    if kind == "cell":
        return sensor
    place, _, name = sensor.partition("/")
    return "/".join(part for part in (place, kind, name) if part)


def evaluate(kind: str, rows: list[dict[str, str]], interval: str = "1g", accuracy: str = "III") -> "Calibrated":
    """Rows of the table as text to a verdict."""
    from drymon.learning.calibration import calibrate_against, calibrate_humidity
    from drymon.learning.cell_calibration import calibrate_cell

    if kind == "humidity":
        return calibrate_humidity(
            [(row["salt"], _number(row, "temperature_c"), _number(row, "reading_pct")) for row in rows]
        )
    first, second = COLUMNS[kind]
    pairs = [(_number(row, first), _number(row, second)) for row in rows]
    if kind == "cell":
        return calibrate_cell(pairs, _interval_kg(interval), accuracy)
    return calibrate_against(kind, pairs)


def _number(row: dict[str, str], column: str) -> float:
    from drymon.errors import LearningError

    try:
        return float(row[column])
    except (TypeError, ValueError):
        raise LearningError(f"{column}: received {row[column]!r}, a number is needed") from None


def _interval_kg(text: str) -> float:
    from drymon.errors import LearningError

    number, factor = text.strip().lower(), 1.0
    for unit, size in (("kg", 1.0), ("g", 0.001)):
        if number.endswith(unit):
            number, factor = number.removesuffix(unit), size
            break
    try:
        value = float(number) * factor
    except ValueError:
        value = 0.0
    if not 0 < value <= 10:
        raise LearningError(f"interval: received {text!r}, allowed is up to 10 kg, such as 1g or 0.005kg")
    return value


def _rows(kind: str, source: str) -> list[dict[str, str]]:
    from drymon.errors import LearningError

    columns = COLUMNS[kind]
    try:
        text = sys.stdin.read() if source == "-" else Path(source).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise LearningError(f"{source}: cannot be read as text ({error})") from None
    reader = csv.DictReader(text.splitlines(), skipinitialspace=True)
    names = tuple(name.strip() for name in reader.fieldnames or ())
    if not set(columns) <= set(names):
        raise LearningError(
            f"{source}: its first line has {', '.join(names) or 'nothing'}; needed: {','.join(columns)}"
        )
    return [{column: (row[column] or "").strip() for column in columns} for row in reader]


def _walk(kind: str, ask: Callable[[str], str] = input, say: Callable[[str], Any] = print) -> list[dict[str, str]]:
    """Lead through the points at the terminal; an empty answer ends."""
    say(WALKS[kind])
    say("An empty answer ends.")
    rows: list[dict[str, str]] = []
    while True:
        row: dict[str, str] = {}
        for column in COLUMNS[kind]:
            try:
                answer = ask(f"{len(rows) + 1}. {column}: ").strip()
            except EOFError:
                answer = ""
            if not answer:
                return rows
            row[column] = answer.replace(",", ".")
        rows.append(row)


def check_known(config: "HomeConfig", kind: str, sensor: str) -> None:
    """LearningError where no sensor of that kind goes by that name: its correction would never be applied."""
    from drymon.errors import LearningError

    known = _known(config, kind)
    if sensor_key(kind, sensor) not in {sensor_key(kind, name) for name in known}:
        names = ", ".join(known) or "none yet; let it publish once, then calibrate it"
        raise LearningError(f"{kind} sensor: received {sensor!r}; known here are {names}")


def _known(config: "HomeConfig", kind: str) -> list[str]:
    """The sensors of a kind that room.toml names or that were heard, as they are named to `calibrate`."""
    from drymon.cli.home import DATABASE, record_of

    if kind == "cell":
        found, quantity = {cell.name for cell in config.room.cells}, "weight"
    else:
        found, quantity = {_join(one.place, one.sensor) for one in config.sources if one.quantity == kind}, kind
    if (config.path / DATABASE).exists():
        with record_of(config) as record:
            heard = [one for one in record.latest_readings() if one.quantity == quantity]
        found |= {one.sensor if kind == "cell" else _join(one.place, one.sensor) for one in heard}
    return sorted(found)


def _join(place: str, sensor: str) -> str:
    return f"{place}/{sensor}" if sensor else place


def _keep(args: Namespace, config: "HomeConfig", found: "Calibrated", rows: Iterable[dict[str, str]]) -> None:
    from drymon.cli.door import keep
    from drymon.cli.home import wall
    from drymon.store.kept import keep_calibration

    due = (wall() + timedelta(days=args.due_days)).date().isoformat()
    document = {**found.document(), "due": due, "points": list(rows)}
    wanted = {"sensor": sensor_key(args.kind, args.sensor), "kind": found.kind, "document": document}
    print(f"  kept; {keep(config, 'calibration', keep_calibration, wanted)}; due again {due}")


def _list(home: Path) -> int:
    from drymon.cli.home import DATABASE, wall
    from drymon.store import Store

    path = home / DATABASE
    if not path.exists():
        print("nothing has been calibrated here yet")
        return 0
    with Store.open(path, readonly=True) as store:
        newest = {(kept.sensor, kept.kind): kept for kept in store.calibrations()}
    if not newest:
        print("nothing has been calibrated here yet")
    today = wall().date()
    for kept in sorted(newest.values(), key=lambda kept: kept.sensor):
        due = date.fromisoformat(kept.document["due"])
        standing = "OVERDUE since" if due < today else "due"
        print(f"{kept.sensor:<28} {kept.kind:<12} {kept.time:%Y-%m-%d}  {standing} {due}  {kept.document['verdict']}")
    return 0
