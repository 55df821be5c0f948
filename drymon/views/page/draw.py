"""Draws one picture and ends: a child process, so that the service never carries the drawing library.

`python -m drymon.views.page.draw HOME DATABASE KIND NAME HOURS NOW FILE`
"""

import sys
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from matplotlib.figure import Figure

from drymon.errors import DrymonError, SetupError
from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.settings import HomeConfig, where_of
from drymon.readback.coat_basis import basis_of, first_number
from drymon.readback.coat_history import coats_on, last_life
from drymon.readback.gather import air_path, pressure_of, rack_air, verdicts_by_tree
from drymon.shop.facts.setup import Rack, RoomSetup
from drymon.shop.facts.slips import did_you_mean
from drymon.shop.facts.slurry import checks_of, tank_of
from drymon.store import Store
from drymon.views.page.long_air import HOUR, draw_long_air, long_air
from drymon.views.plots.coat import NUMBER, draw_model
from drymon.views.plots.plan import DESK, PHONE, draw_plan
from drymon.views.plots.psychrometric import draw_psychrometric
from drymon.views.plots.rack import draw_rack
from drymon.views.plots.slurry import draw_slurry
from drymon.views.plots.style import save
from drymon.views.plots.time_axis import Span
from drymon.views.plots.tree import draw_tree, end_of_picture

SHEETS = {"desk": DESK, "phone": PHONE}
LONG = timedelta(days=91)
"""Of a tank, which changes over weeks."""
LONGEST_LINE_H = 72
"""Beyond this, a line says less than the band between a bucket's lowest and highest value."""


def main(words: list[str]) -> int:
    """Draw; 1 and a line on stderr where it cannot be done."""
    home, database, kind, name, hours, now, file = words
    try:
        config = load_home(Path(home))
        with Store.open(where_of(database), readonly=True) as store:
            figure = draw(config, store, kind, name, int(hours), datetime.fromisoformat(now))
        save(figure, Path(file))
    except DrymonError as error:
        print(f"no picture: {error}", file=sys.stderr)
        return 1
    return 0


def draw(config: HomeConfig, store: Store, kind: str, name: str, hours: int, now: datetime) -> Figure:
    """The picture asked for; SetupError where its subject is not known."""
    if kind == "model":
        basis = basis_of(name, config.room, load_models(config.path))
        if basis is None:
            raise SetupError(f"no coat model {name!r}")
        number = first_number(name, config.room, NUMBER)
        return draw_model(basis.model, config.room.coat_by_name.get(name), (), number, basis.source)
    if kind == "tree":
        return _tree(config, store, name, now)
    if kind == "plan":
        return _plan(config, store, name)
    if kind == "slurry":
        return slurry_picture(config.room, store, name, now - LONG, now)
    rack = config.room.rack_by_name.get(name)
    if rack is None:
        raise SetupError(f"no rack {name!r}")
    span = Span(now - timedelta(hours=hours or 24), now, ZoneInfo(config.room.timezone))
    return (_chart if kind == "psychrometric" else _rack)(config, store, rack, span)


def _plan(config: HomeConfig, store: Store, name: str) -> Figure:
    plan, sheet = store.current_plan(), SHEETS.get(name)
    if plan is None or sheet is None:
        raise SetupError(f"no plan to draw for {name!r}")
    zone = ZoneInfo(config.room.timezone)
    return draw_plan(plan, config.room, zone, plan.time + timedelta(days=sheet.days), sheet)


def slurry_picture(room: RoomSetup, store: Store, name: str, begin: datetime, end: datetime) -> Figure:
    """A tank's checks; SetupError where nothing is on record of it."""
    events = list(store.tank_events())
    checks = checks_of(name, events)
    if not checks:
        known = did_you_mean(name, sorted({event.slurry for event in events}))
        raise SetupError(f"slurry: received {name!r}; on record are checks of {known}")
    return draw_slurry(tank_of(room, name, events).tank, checks, Span(begin, end, ZoneInfo(room.timezone)))


def _rack(config: HomeConfig, store: Store, rack: Rack, span: Span) -> Figure:
    if span.hours > LONGEST_LINE_H or store.finest_step(span.begin) >= HOUR:
        return draw_long_air(rack, long_air(store, config.room, rack, span.begin, span.end), config.room, span)
    events = list(store.events())
    return draw_rack(rack, rack_air(store, config.room, rack, span.begin, span.end), events, config.room, span)


def _chart(config: HomeConfig, store: Store, rack: Rack, span: Span) -> Figure:
    pressure, origin = pressure_of(store, config.room, rack, span.begin, span.end)
    names = coats_on(rack.name, store.events(), span.begin, span.end)
    coats = [coat for coat in config.room.coats if coat.name in names]
    path = air_path(store, config.room, rack, span.begin, span.end, pressure)
    return draw_psychrometric(rack, path, coats, span, pressure, origin)


def _tree(config: HomeConfig, store: Store, name: str, now: datetime) -> Figure:
    life = last_life(store.events(tree=name), now)
    if life is None:
        raise SetupError(f"nothing on record of a tree {name!r}")
    begin = life.begin - timedelta(minutes=20)
    verdicts = verdicts_by_tree(store, life.begin, None, name).get(name)
    if not verdicts:
        raise SetupError(f"no verdict on record of a tree {name!r}")
    span = Span(begin, end_of_picture(life, verdicts, now), ZoneInfo(config.room.timezone))
    return draw_tree(name, verdicts, life.events, config.room, span, now)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
