"""`drymon plot`: pictures from the record, while the service runs and while it does not."""

from argparse import Namespace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from drymon.cli.parser import Commands

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from drymon.messages.settings import HomeConfig
    from drymon.shop.facts.setup import Rack
    from drymon.store import Store

USUAL = timedelta(days=3)
LONGEST_TREE = timedelta(days=21)
LONGEST_PATH = timedelta(days=7)
LONGEST_LINE = timedelta(days=7)
"""Beyond this, one line says less than the band between an hour's lowest and highest value."""


def register(commands: Commands) -> None:
    """Say what `plot` takes."""
    parser = commands.add_parser(
        "plot",
        help="draw a rack's air, a tree's drying, the room, a coat model",
        description="Draws a picture as SVG, PNG or PDF, by the ending of FILE, from what is recorded.",
    )
    kinds = parser.add_subparsers(dest="kind", metavar="PICTURE", required=True)
    for kind, subject, words in (
        ("rack", "RACK", "a rack's air: temperature, humidity, air speed, with the coats' bands, dips and fans"),
        ("psychrometric", "RACK", "a rack's air on the psychrometric chart, with the coats' bands"),
        ("tree", "TREE", "a tree's drying: water gone with its bounds, what a redip needs, states"),
        ("room", None, "all trees: coats, states, and what is expected"),
        ("slurry", "NAME", "a tank of slurry over months: cup, temperature, density, pH, with their bands"),
        ("model", "COAT", "a coat model: drying in the reference air, with its spread"),
    ):
        other = ["plan"] if kind == "room" else []
        picture = kinds.add_parser(kind, aliases=other, help=words, description=words[0].upper() + words[1:] + ".")
        if subject:
            picture.add_argument("name", metavar=subject)
        if kind != "model":
            picture.add_argument("--from", dest="from_", metavar="T", help="from this time on")
            picture.add_argument("--to", metavar="T", help="up to this time")
        picture.add_argument("--out", metavar="FILE", help="the picture (else an SVG in this folder)")


def run(args: Namespace) -> int:
    """Draw one picture and say where it is."""
    from drymon.cli.home import config_of, file_to_write
    from drymon.errors import DrymonError
    from drymon.views.plots.style import save

    config = config_of(args)
    name = "-".join(part for part in (args.kind, getattr(args, "name", "")) if part)
    file = file_to_write(args.out or f"{name}.svg", config.path)
    figure = _draw(config, args)
    try:
        print(save(figure, file))
    except OSError as error:
        raise DrymonError(
            f"--out: received {str(args.out or file)!r}; no picture can be written there, in {file.resolve().parent} "
            f"({error.strerror or error}): name a file in a folder of yours that has room"
        ) from error
    return 0


def _draw(config: "HomeConfig", args: Namespace) -> "Figure":
    from drymon.cli.home import end_of_record, record_of
    from drymon.messages.names import name_or
    from drymon.messages.typed_times import typed_span

    if args.kind == "model":
        return model_picture(config, args.name)
    with record_of(config) as record:
        now = end_of_record(config, record)
        begin, end = typed_span(args.from_, args.to, config.room.timezone, now)
        if args.kind == "rack":
            return rack_picture(config, record, args.name, now, begin, end)
        if args.kind == "psychrometric":
            return psychrometric_picture(config, record, args.name, now, begin, end)
        if args.kind == "slurry":
            return slurry_of(config, record, name_or(args.name), now, (begin, end))
        if args.kind == "tree":
            return tree_picture(config, record, name_or(args.name), now, begin, end)
        return room_picture(config, record, now, begin, end)


def rack_picture(
    config: "HomeConfig", record: "Store", name: str, now: datetime, begin: datetime | None, end: datetime | None
) -> "Figure":
    """A rack's air, by default over the last three days; over weeks as means with lowest and highest values."""
    from drymon.readback.gather import rack_air
    from drymon.views.page.long_air import HOUR, draw_long_air, long_air
    from drymon.views.plots.rack import draw_rack

    rack = _rack(config, name)
    span = _span(config, begin or (end or now) - USUAL, end or now)
    if span.end - span.begin > LONGEST_LINE or record.finest_step(span.begin) >= HOUR:
        return draw_long_air(rack, long_air(record, config.room, rack, span.begin, span.end), config.room, span)
    events = list(record.events())
    return draw_rack(rack, rack_air(record, config.room, rack, span.begin, span.end), events, config.room, span)


def psychrometric_picture(
    config: "HomeConfig", record: "Store", name: str, now: datetime, begin: datetime | None, end: datetime | None
) -> "Figure":
    """A rack's air on the psychrometric chart, by default over the last day, for the pressure of the room."""
    from drymon.errors import SetupError
    from drymon.readback.coat_history import coats_on
    from drymon.readback.gather import air_path, pressure_of
    from drymon.views.plots.psychrometric import draw_psychrometric

    rack = _rack(config, name)
    span = _span(config, begin or (end or now) - timedelta(days=1), end or now)
    if span.end - span.begin > LONGEST_PATH:
        raise SetupError(
            f"a psychrometric chart tells {LONGEST_PATH.days} days apart at most, these are {span.hours / 24:.0f}; "
            f"give other --from and --to, or draw `drymon plot rack {name}`"
        )
    pressure, origin = pressure_of(record, config.room, rack, span.begin, span.end)
    names = coats_on(rack.name, record.events(), span.begin, span.end)
    coats = [coat for coat in config.room.coats if coat.name in names]
    path = air_path(record, config.room, rack, span.begin, span.end, pressure)
    return draw_psychrometric(rack, path, coats, span, pressure, origin)


def tree_picture(
    config: "HomeConfig", record: "Store", tree: str, now: datetime, begin: datetime | None, end: datetime | None
) -> "Figure":
    """A tree's drying, by default from its first dip to what is expected next."""
    from drymon.readback.coat_history import last_life
    from drymon.readback.gather import lives_on_record, verdicts_by_tree
    from drymon.views.plots.tree import draw_tree, end_of_picture

    events = list(record.events(tree=tree))
    life = last_life(events, now) if begin is None else None
    verdicts = verdicts_by_tree(record, life.begin if life else None, end, tree).get(tree)
    if verdicts is None:
        raise _unknown("tree", tree, {life.tree for life in lives_on_record(record)})
    start = begin or verdicts[0].dipped_at - timedelta(minutes=20)
    span = _span(config, start, end or end_of_picture(life, verdicts, now))
    return draw_tree(tree, verdicts, events, config.room, span, now)


def slurry_of(
    config: "HomeConfig", record: "Store", name: str, now: datetime, asked: tuple[datetime | None, datetime | None]
) -> "Figure":
    """A tank, by default over the last three months."""
    from drymon.views.page.draw import LONG, slurry_picture

    end = asked[1] or now
    span = _span(config, asked[0] or end - LONG, end)
    return slurry_picture(config.room, record, name, span.begin, span.end)


def room_picture(
    config: "HomeConfig", record: "Store", now: datetime, begin: datetime | None, end: datetime | None
) -> "Figure":
    """All trees, by default over the last three days and into what is expected."""
    from drymon.readback.coat_history import ends_of
    from drymon.readback.gather import lives_on_record, verdicts_by_tree
    from drymon.views.plots.room import draw_room, future_end

    start = begin or (end or now) - USUAL
    histories = verdicts_by_tree(record, start - LONGEST_TREE, end)
    if not histories:
        raise _unknown("tree", "(any)", ())
    ends = ends_of(lives_on_record(record))
    hanging = {tree: told for tree, told in histories.items() if (tree, told[-1].dipped_at) not in ends}
    span = _span(config, start, end or future_end(hanging, now))
    return draw_room(histories, config.room, span, now, ends)


def model_picture(config: "HomeConfig", coat: str) -> "Figure":
    """A coat model in the reference air, and this home's weighed runs of it, where there are any."""
    from drymon.cli.home import record_of, warn_of_models
    from drymon.messages.coat_models import load_models
    from drymon.readback.coat_basis import basis_of, first_number
    from drymon.readback.weighed_runs import weighed_runs
    from drymon.store import is_there
    from drymon.views.plots.coat import NUMBER, draw_model, points_of

    warn_of_models(config)
    models = load_models(config.path)
    basis = basis_of(coat, config.room, models)
    if basis is None:
        raise _unknown("coat or coat model", coat, {*models, *config.room.coat_by_name})
    number = first_number(coat, config.room, NUMBER)
    runs = []
    if is_there(config.database):
        with record_of(config) as record:
            runs = [run for run in weighed_runs(config, record, coats=[coat]) if run.used]
    points = [found for run in runs if (found := points_of(run, basis.model, number))]
    return draw_model(basis.model, config.room.coat_by_name.get(coat), points, number, basis.source)


def _rack(config: "HomeConfig", name: str) -> "Rack":
    rack = config.room.rack_by_name.get(name)
    if rack is None:
        raise _unknown("rack", name, config.room.rack_by_name)
    return rack


def _span(config: "HomeConfig", begin: datetime, end: datetime) -> Any:
    from zoneinfo import ZoneInfo

    from drymon.errors import SetupError
    from drymon.views.plots.time_axis import Span

    if end <= begin:
        raise SetupError(f"--from {begin.isoformat()} is not before --to {end.isoformat()}; give an earlier --from")
    return Span(begin, end, ZoneInfo(config.room.timezone))


def _unknown(what: str, name: str, known: Any) -> Exception:
    from drymon.errors import SetupError

    names = ", ".join(sorted(known)) or "none yet"
    return SetupError(f"no {what} named {name!r} here; known: {names}")
