"""What a measurement has narrowed: how long an open tree of a usual coat waits, with it and without."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np

from drymon.drying import coat, dips
from drymon.drying.coat_model import CoatModel
from drymon.drying.conditioned import Evidence
from drymon.drying.edges import EDGES
from drymon.shop.air.air_book import AirBook
from drymon.shop.air.rack_air import RackAir
from drymon.shop.facts.measured import InItsPlace
from drymon.shop.facts.setup import CoatType, Rack, RoomSetup
from drymon.shop.tree.starting import measured_model, model_of
from drymon.shop.tree.state import ASSURANCE
from drymon.shop.tree.usual_dip import middle_number

LONGEST_H = 14 * 24.0


@dataclass(frozen=True, slots=True)
class UsualCoat:
    """A coat as this room mostly makes it: its starting model, and the number that it mostly has."""

    kind: CoatType
    model: CoatModel
    number: int


@dataclass(frozen=True, slots=True)
class PresentAir:
    """Air to tell hours in: degC, % RH, Pa."""

    temperature_c: float
    humidity_pct: float
    pressure_pa: float


@dataclass(frozen=True, slots=True)
class OpenTreeWait:
    """Hours until an open tree is dry, most likely and with `ASSURANCE`; infinite beyond `LONGEST_H`."""

    best_h: float
    sure_h: float


def usual_coat(room: RoomSetup, models: Mapping[str, CoatModel], coat_name: str | None = None) -> UsualCoat | None:
    """The coat that the recipes use most of those on a starting model, or the one of that name; None where there is
    none: a fitted model goes by its runs.
    """
    uses = Counter(name for recipe in room.recipes for name in recipe.coats)
    kinds = [kind for kind in room.coats if coat_name in (None, kind.name)]
    for kind in sorted(kinds, key=lambda kind: -uses[kind.name]):
        model = model_of(kind, models, room)
        if model is not None and model.is_starting_model:
            return UsualCoat(kind, model, middle_number(kind, room))
    return None


def wait(
    usual: UsualCoat,
    room: RoomSetup,
    air: PresentAir,
    place: tuple[float, float] | InItsPlace,
    water: Evidence | None = None,
) -> OpenTreeWait:
    """How long an open tree of this coat takes in such air. place: the speeds that are drawn from, as assumed or as a
    cloth told; water: what is known of the coat's.
    """
    cloth = place if isinstance(place, InItsPlace) else None
    model = measured_model(usual.model, water, cloth)
    speeds = place.by_cloth if isinstance(place, InItsPlace) else place
    rack_air = RackAir(AirBook(room), Rack("rack"))
    step = rack_air.drive(air.temperature_c, air.humidity_pct, nan, speeds, air.pressure_pa)
    coats = dips.possible_coats(model, usual.number, "open", edges=EDGES[room.edges])
    hours = np.sort(coat.steady_seconds(coats, 1.0 - usual.kind.dry_at, step)) / 3600.0
    hours[hours > LONGEST_H] = np.inf
    best, sure = (float(hours[int(np.ceil(share * len(hours))) - 1]) for share in (0.5, ASSURANCE))
    return OpenTreeWait(best, sure)


def words(usual: UsualCoat, now: OpenTreeWait, before: OpenTreeWait) -> str:
    """`an open tree of backup (coat 5) in this air: likely dry after 4.1 h, sure by 9.8 h; before: ...`."""
    name = usual.kind.label or usual.kind.name
    return f"an open tree of {name} (coat {usual.number}) in this air: {_told(now)}; before: {_told(before)}"


def _told(each: OpenTreeWait) -> str:
    if not isfinite(each.best_h):
        return "not dry within 14 days"
    sure = f"sure by {each.sure_h:.1f} h" if isfinite(each.sure_h) else "not sure within 14 days"
    return f"likely dry after {each.best_h:.1f} h, {sure}"
