"""`drymon calibrate`: load cells and sensors of the air against references; a cloth and a dip by a scale alone."""

import argparse
import sys
from argparse import Namespace
from collections.abc import Iterable
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from drymon.cli import by_scale
from drymon.cli.parser import Commands
from drymon.cli.points import COLUMNS, Row, as_file, rows_of_file, value_of
from drymon.drying.quantities import Quantity
from drymon.errors import LearningError
from drymon.messages.typed import quantity_of

if TYPE_CHECKING:
    from drymon.cli.calibration_walk import Walk
    from drymon.learning.calibration import Calibrated
    from drymon.messages.settings import HomeConfig

DUE_DAYS = {"cell": 90, "humidity": 180, "airflow": 365, "temperature": 365}
"""When to look again (common practice, no source)."""

MOST_DAYS = 3650
CLASSES = ("I", "II", "III", "IIII")
KEPT, NOT_KEPT = 0, 1


def register(commands: Commands) -> None:
    """Say what `calibrate` takes."""
    parser = commands.add_parser(
        "calibrate",
        help="load cell, humidity and airflow sensors against references",
        description="Compares a sensor with a reference, keeps what was found with its date, and from then on corrects "
        "the sensor's readings; what is found unfit is not kept. Without --points it leads through the steps at the "
        "terminal, and asks before it keeps anything.",
    )
    kinds = parser.add_subparsers(dest="kind", metavar="KIND", required=True)
    for kind in COLUMNS:
        _register_kind(kinds, kind)
    _add_due(by_scale.register_pickup(kinds), 90)
    listed = kinds.add_parser("list", help="what was calibrated when, and what is due")
    listed.add_argument("--all", action="store_true", help="those taken back, too")
    undo = kinds.add_parser(
        "undo",
        help="take a sensor's last calibration back",
        description="Takes the last calibration of a sensor back: the one before it holds again, or none. Both stay on "
        "record.",
    )
    undo.add_argument("sensor", help="as `calibrate list` shows it")


def _register_kind(kinds: Commands, kind: str) -> None:
    columns = COLUMNS[kind]
    units = ", ".join(f"{column.words} in {column.unit}" for column in columns if column.unit)
    what = "a load cell" if kind == "cell" else f"a sensor of {kind}"
    one = kinds.add_parser(
        kind,
        help=what,
        description=f"{what.capitalize()} against a reference: {units}; another unit is typed behind the number.",
        below_nothing=True,  # a number below nothing is a value, which the check of it says what is wrong with
    )
    one.add_argument("sensor", help="the cell's name" if kind == "cell" else "place, or place/sensor")
    names = ",".join(column.name for column in columns)
    one.add_argument("--points", metavar="FILE", help=f"CSV with the columns {names}; - for stdin")
    _add_due(one, DUE_DAYS[kind])
    one.add_argument("--dry-run", action="store_true", help="say what would be found, keep nothing")
    if kind == "airflow":
        by_scale.add_cloth(one)
    if kind == "cell":
        one.add_argument(
            "--interval",
            type=_interval_kg,
            default="1g",
            help="verification interval, such as 1g or 0.005kg; kg without a unit (%(default)s)",
        )
        one.add_argument("--class", dest="accuracy", type=str.upper, choices=CLASSES, default="III",
                         help="accuracy class I to IIII (%(default)s)")  # fmt: skip


def _add_due(one: argparse.ArgumentParser, usual: int) -> None:
    one.add_argument("--due-days", type=_days, metavar="N", help=f"days until it is due again (usually {usual})")


def _days(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= MOST_DAYS:
        raise argparse.ArgumentTypeError(f"received {text!r}; allowed is a whole number of days, 1 to {MOST_DAYS}")
    return int(text)


def _interval_kg(text: str) -> float:
    try:
        value = quantity_of(Quantity.WEIGHT, text)
    except LearningError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if value <= 0:
        raise argparse.ArgumentTypeError(f"received {text!r}; allowed is more than nothing, such as 1g or 0.005kg")
    return value


def run(args: Namespace) -> int:
    """Calibrate one sensor, take a calibration back, or list."""
    from drymon.cli.calibrated import check_known
    from drymon.cli.home import config_of

    config = config_of(args)
    if args.kind == "list":
        return _list(config, args.all)
    if args.kind == "undo":
        return _undo(config, args.sensor)
    if args.kind == "pickup":
        return by_scale.run_pickup(args, config)
    if args.kind == "airflow":
        if args.wet_cloth:
            return by_scale.run_cloth(args, config)
        by_scale.refuse_cloth_options(args)
    check_known(config, args.kind, args.sensor)
    return _from_file(args, config) if args.points else _from_walk(args, config)


def _from_file(args: Namespace, config: "HomeConfig") -> int:
    rows = rows_of_file(args.kind, args.points)
    found = _evaluate(args, rows)
    _tell(args.sensor, found)
    if not found.good:
        return _unfit(args)
    if not args.dry_run:
        _keep(args, config, found, rows)
    return KEPT


def _from_walk(args: Namespace, config: "HomeConfig") -> int:
    """Nothing that was typed is lost: whatever is not kept is shown as a file to go on from."""
    from drymon.cli.calibration_walk import Stopped, Walk

    walk = Walk(args.kind, lambda rows: _evaluate(args, rows))
    try:
        rows, found = walk.points()
        _tell(args.sensor, found)
        if found.good and not args.dry_run and walk.wants("keep it?"):
            _keep(args, config, found, rows)
            return KEPT
    except Stopped:
        _farewell(args, walk)
        return NOT_KEPT
    except KeyboardInterrupt:
        print()
        _farewell(args, walk)
        raise
    _farewell(args, walk)
    return (KEPT if args.dry_run else NOT_KEPT) if found.good else _unfit(args)


def _farewell(args: Namespace, walk: "Walk") -> None:
    print(f"Nothing was kept, {args.sensor}'s readings stay as they are.")
    if half := walk.half():
        print(f"Not a whole point, and left out: {half}.")
    if rows := walk.rows():
        print(
            "To go on later, write these lines into a file, add to them, and say\n"
            f"`drymon calibrate {args.kind} {args.sensor} --points FILE`:\n{as_file(args.kind, rows)}"
        )


def _tell(sensor: str, found: "Calibrated") -> None:
    print(f"{sensor}: {found.verdict}")
    for line in found.lines:
        print(f"  {line}")


def _unfit(args: Namespace) -> int:
    """A correction that does not bring the sensor to its reference would spoil every reading."""
    finer = "; if a coarser scale will do, say its --interval" if args.kind == "cell" else ""
    print(
        f"drymon calibrate: not kept, {args.sensor}'s readings stay as they are: check the points, the reference and "
        f"the sensor, and calibrate it again{finer}",
        file=sys.stderr,
    )
    return NOT_KEPT


def _evaluate(args: Namespace, rows: list[Row]) -> "Calibrated":
    """The points to a verdict; LearningError where they do not do."""
    from drymon.learning.calibration import calibrate_against, calibrate_humidity
    from drymon.learning.cell_calibration import calibrate_cell

    points: list[Any] = [tuple(value_of(column, row[column.name]) for column in COLUMNS[args.kind]) for row in rows]
    if args.kind == "humidity":
        return calibrate_humidity(points)
    if args.kind == "cell":
        return calibrate_cell(points, args.interval, args.accuracy)
    return calibrate_against(args.kind, points)


def _keep(args: Namespace, config: "HomeConfig", found: "Calibrated", rows: Iterable[Row]) -> None:
    from drymon.cli.calibrated import sensor_key
    from drymon.cli.door import keep
    from drymon.cli.home import wall
    from drymon.store.decisions import keep_calibration

    due = (wall() + timedelta(days=args.due_days or DUE_DAYS[args.kind])).date().isoformat()
    key = sensor_key(args.kind, args.sensor)
    wanted = {"sensor": key, "kind": found.kind, "document": {**found.document(), "due": due, "points": list(rows)}}
    said = keep(config, "calibration", keep_calibration, wanted)
    print(f"  kept; {said}; due again {due}; to take it back: drymon calibrate undo {key}")


def _undo(config: "HomeConfig", sensor: str) -> int:
    from drymon.cli.calibrated import holding, typed_name
    from drymon.cli.door import keep, who
    from drymon.store.decisions import keep_calibration

    there = holding(config)
    named = [one for one in there if one.sensor == sensor] or [one for one in there if typed_name(one) == sensor]
    if len(named) != 1:
        names = ", ".join(one.sensor for one in named or there) or "none"
        why = "several sensors go by that; say one of" if named else "calibrated here are"
        raise LearningError(f"sensor: received {sensor!r}; {why} {names}")
    wanted = {"act": "take-back", "sensor": named[0].sensor, "kind": named[0].kind, "by": who()}
    print(keep(config, "calibration", keep_calibration, wanted))
    return 0


def _list(config: "HomeConfig", with_taken_back: bool) -> int:
    from drymon.cli.calibrated import due, holding, taken_back
    from drymon.cli.home import wall

    lines = []
    for kept in holding(config):
        when = due(kept)
        standing = f"{'OVERDUE since' if when < wall().date() else 'due'} {when}" + "  " if when else ""
        lines.append((kept, f"{standing}{kept.document.get('verdict', '')}"))
    if with_taken_back:
        lines += [(kept, f"taken back by {by}") for kept, by in taken_back(config)]
    for kept, words in lines:
        print(f"{kept.sensor:<28} {kept.kind:<12} {kept.time:%Y-%m-%d}  {words}")
    if not lines:
        print("nothing has been calibrated here yet")
    return 0
