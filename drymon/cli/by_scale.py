"""`drymon calibrate airflow RACK --wet-cloth` and `drymon calibrate pickup COAT`: a kitchen scale and no reference."""

from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, TypeVar

from drymon.cli.parser import Commands
from drymon.errors import LearningError, SetupError

if TYPE_CHECKING:
    from drymon.cli.by_scale_walk import ScaleWalk
    from drymon.messages.settings import HomeConfig
    from drymon.store import Store
    from drymon.views.by_scale.weighed import Told

T = TypeVar("T")

OF_CLOTH = ("size", "strips", "weighed", "dry", "temperature", "humidity", "pressure", "fans", "sure")
KEPT, NOT_KEPT = 0, 1


def add_cloth(one: ArgumentParser) -> None:
    """The options of a wet cloth, beside those of an anemometer."""
    cloth = one.add_argument_group("a wet cloth, where no anemometer hangs")
    for name, metavar, words in (
        ("size", "WxL", "of one strip, width x length in cm, such as 10x60"),
        ("strips", "N", "how many of these hang (1)"),
        ("dry", "MASS", "of all strips when dry, where that was weighed; grams without a unit"),
        ("temperature", "T", "of the air meanwhile, °C, where no sensor is on record"),
        ("humidity", "RH", "of the air meanwhile, %%RH; goes with --temperature"),
        ("pressure", "P", "of the air meanwhile, Pa; else by the altitude"),
    ):
        cloth.add_argument(f"--{name}", metavar=metavar, help=words)
    cloth.add_argument("--wet-cloth", action="store_true", help="weigh a wet cloth; SENSOR is the rack's name")
    cloth.add_argument("--weighed", metavar="TIME=MASS", action="append",
                       help="a weighing of all strips together, such as 14:05=412g; twice or more")  # fmt: skip
    cloth.add_argument("--fans", choices=("on", "off"), help="whether they ran; else as on record, else on")
    cloth.add_argument("--sure", action="store_true", help="it is right, however strange it looks")


def register_pickup(kinds: Commands) -> ArgumentParser:
    """Say what `calibrate pickup` takes."""
    one: ArgumentParser = kinds.add_parser(
        "pickup",
        help="the water that a coat brings: a piece weighed before and after its dip",
        description="A tile or bar is weighed just before a dip and just after, drained, before the stucco: its gain "
        "over its area, times the slurry's share of water. Without --before and --after it asks.",
    )
    one.add_argument("coat", help="the coat's name")
    for name, metavar, words in (
        ("before", "MASS", "of the piece just before the dip; grams without a unit"),
        ("after", "MASS", "just after it, drained, before the stucco"),
        ("size", "LxWxH", "of a piece that was wetted all over, in cm, such as 10x10x1"),
        ("area", "AREA", "that was wetted, such as 240cm2: in the place of --size"),
        ("solids", "PCT", "share of solids in the slurry by mass, such as 73%%"),
        ("water", "PCT", "share of water in it, such as 27%%"),
        ("gravity", "SG", "specific gravity of the slurry; goes with --flour"),
        ("flour", "NAME", "fused-silica, aluminosilicate, alumina or zircon"),
        ("number", "N", "which coat of the piece it is (1)"),
    ):
        one.add_argument(f"--{name}", metavar=metavar, help=words)
    one.add_argument("--after-stucco", action="store_true", help="it was weighed with its stucco, which tells nothing")
    one.add_argument("--sure", action="store_true", help="it is right, however strange it looks")
    one.add_argument("--dry-run", action="store_true", help="say what would be found, keep nothing")
    return one


def run_cloth(args: Namespace, config: "HomeConfig") -> int:
    """A cloth from what was typed, or from a talk at the terminal."""
    from drymon.cli.by_scale_walk import ClothWalk
    from drymon.views.by_scale import weighed_cloth

    if args.points:
        raise SetupError("--points: received with --wet-cloth; allowed is --weighed TIME=MASS, for each weighing")
    weighed_cloth.check_rack(config.room, args.sensor)
    words = {name: getattr(args, name) or "" for name in weighed_cloth.WORDS}

    def judge(said: dict[str, str], weighings: list[tuple[datetime, str]]) -> "Told":
        entry = weighed_cloth.entry_of(args.sensor, said, weighings)
        return _with_record(
            config, lambda store: weighed_cloth.weighed_cloth(store, config.room, _models(config), entry)
        )

    if args.weighed:
        typed = _typed_weighings(args.weighed, config)
        _readable(lambda: weighed_cloth.entry_of(args.sensor, words, typed))
        return _settle(args, config, judge(words, typed))
    return _talked(args, config, ClothWalk(args.sensor, config.room.timezone, judge, words))


def run_pickup(args: Namespace, config: "HomeConfig") -> int:
    """A piece from what was typed, or from a talk at the terminal."""
    from drymon.cli.by_scale_walk import DipWalk
    from drymon.cli.home import check_coat
    from drymon.views.by_scale import weighed_dip

    check_coat(config, args.coat)
    words = {name: getattr(args, name, None) or "" for name in weighed_dip.WORDS}
    words["stucco"] = "yes" if args.after_stucco else ""

    def judge(said: dict[str, str]) -> "Told":
        entry, models = weighed_dip.entry_of(config.room, args.coat, said), _models(config)
        return _with_record(config, lambda store: weighed_dip.weighed_dip(store, config.room, models, entry))

    if args.before or args.after:
        _readable(lambda: weighed_dip.entry_of(config.room, args.coat, words))
        return _settle(args, config, judge(words))
    return _talked(args, config, DipWalk(args.coat, judge, words))


def refuse_cloth_options(args: Namespace) -> None:
    """SetupError for an option of the cloth where an anemometer is calibrated."""
    for name in OF_CLOTH:
        if getattr(args, name, None):
            raise SetupError(f"--{name}: received without --wet-cloth; allowed is it with --wet-cloth alone")


def _typed_weighings(texts: list[str], config: "HomeConfig") -> list[tuple[datetime, str]]:
    from drymon.cli.home import wall
    from drymon.messages.typed_times import typed_time

    found = []
    for text in texts:
        time, _, mass = text.partition("=")
        found.append((typed_time(time.strip(), config.room.timezone, wall()), mass))
    return found


def _readable(read: Callable[[], object]) -> None:
    """What was typed as options and cannot be read is wrong use."""
    try:
        read()
    except LearningError as error:
        raise SetupError(str(error)) from None


def _with_record(config: "HomeConfig", ask: "Callable[[Store | None], T]") -> T:
    """Ask with the home's record, None where there is none yet."""
    from drymon.cli.home import record_of
    from drymon.store import is_there

    if not is_there(config.database):
        return ask(None)
    with record_of(config) as record:
        return ask(record)


def _models(config: "HomeConfig") -> Any:
    from drymon.messages.coat_models import load_models

    return load_models(config.path)


def _talked(args: Namespace, config: "HomeConfig", walk: "ScaleWalk") -> int:
    """Nothing that was typed is lost: whatever is not kept is shown as a command to go on from."""
    from drymon.cli.calibration_walk import Stopped

    try:
        return _settle(args, config, walk.told(), walk)
    except Stopped:
        walk.farewell()
        return NOT_KEPT
    except KeyboardInterrupt:
        print()
        walk.farewell()
        raise


def _settle(args: Namespace, config: "HomeConfig", told: "Told", walk: "ScaleWalk | None" = None) -> int:
    """Tell what came out, ask about what is strange, and keep it; the exit status."""
    print("\n  ".join((told.verdict, *told.lines)))
    if told.document is None or args.dry_run:
        return KEPT
    strange = "; ".join(told.strange) if not args.sure else ""
    if walk is None and strange:
        raise SetupError(f"{strange}. Nothing was kept; where it is right, say it again with --sure")
    if strange:
        print(f"  Strange: {strange}.")
    if walk is not None and not walk.wants("is it right all the same, and to be kept?" if strange else "keep it?"):
        walk.farewell()
        return NOT_KEPT
    return _keep(args, config, told)


def _keep(args: Namespace, config: "HomeConfig", told: "Told") -> int:
    from drymon.cli.door import keep
    from drymon.cli.home import wall
    from drymon.store.decisions import keep_calibration
    from drymon.views.by_scale.weighed import DUE_DAYS

    days = args.due_days or DUE_DAYS[told.kind]
    due = (wall() + timedelta(days=days)).date().isoformat()
    said = keep(config, "calibration", keep_calibration, told.wanted(due))
    print(f"  kept; {said}; due again {due}; to take it back: drymon calibrate undo {told.key}")
    return KEPT
