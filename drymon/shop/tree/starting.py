"""Which model a coat type goes by: its own, else the starting model of its family, and what the shop itself has said of
that coat counted in.
"""

from collections.abc import Mapping
from dataclasses import replace

from drymon.drying import practice, usual_wait
from drymon.drying.coat_model import USUAL_POWER, CoatModel, Spread
from drymon.drying.conditioned import Evidence, conditioned
from drymon.drying.usual_wait import UsualDip
from drymon.shop.facts.measured import InItsPlace, beside_the_cloth
from drymon.shop.facts.setup import CoatType, RoomSetup
from drymon.shop.tree.usual_dip import usual_dip

OF_FAMILY = {"prime": "prime-first", "backup": "backup", "seal": "seal"}
"""Of the two prime models the one that dries more slowly."""

LEAST_SD = 0.35
"""On the working scale, for what was learnt of another kind of coat (assumed)."""

SLURRY_ONLY = "slurry-only-first"

_COUNTED: dict[tuple[str, float | None, UsualDip], CoatModel] = {}
"""Starting models with what is told of hours counted, by what they are made of: made once, for it takes a moment. As
many as there are coats, for a process has one room.
"""


def model_of(kind: CoatType, models: Mapping[str, CoatModel], room: RoomSetup) -> CoatModel | None:
    """The model that a coat goes by in this room: of `start_of`; in a starting model what the trade knows of hours and
    the coat's usual wait are counted. None: there is none for it.
    """
    model = start_of(kind, models)
    if model is None or not model.is_starting_model or not (model.trade_hours or kind.usual_wait_h):
        return model
    usual = usual_dip(kind, room)
    key = repr(model), kind.usual_wait_h, usual
    if key not in _COUNTED:
        known = practice.counted(model)
        wait = kind.usual_wait_h
        _COUNTED[key] = known if wait is None else usual_wait.counted(known, wait, usual)
    return _COUNTED[key]


def start_of(kind: CoatType, models: Mapping[str, CoatModel]) -> CoatModel | None:
    """The model named like the coat; else, under the coat's name, the starting model of its family: day one counts."""
    if kind.name in models:
        return models[kind.name]
    slurry_only = kind.family == "prime" and kind.stucco_mesh == ()
    start = models.get(SLURRY_ONLY if slurry_only else OF_FAMILY[kind.family])
    if start is None:
        return None
    if start.is_starting_model:
        return replace(start, name=kind.name)
    return replace(
        start,
        name=kind.name,
        runs=0,
        trade_hours=False,
        shelters_learned=(),
        correlation=None,
        slurry_power=USUAL_POWER,
        end_growth=None if start.end_growth is None else _unsure(start.end_growth),
        parameters={key: _unsure(spread) for key, spread in start.parameters.items()},
    )


def measured_model(model: CoatModel, water: Evidence | None = None, place: InItsPlace | None = None) -> CoatModel:
    """A starting model with what was measured here by a scale: the coat's water, and how fast its rack dries a cloth. A
    fitted model has runs, which say both better.
    """
    if not model.is_starting_model or (water is None and place is None):
        return model  # the very same: an image of the room knows it by that
    counted = list(model.counted)
    if place is not None:
        model = beside_the_cloth(model, place)
        counted.append("the wet cloth at its rack")
    if water is not None:
        model = conditioned(model, {"water": water})
        counted.append("the water of weighed dips")
    return replace(model, counted=tuple(counted))


def _unsure(learnt: Spread) -> Spread:
    """What was learnt of another kind of coat is only a start for this one."""
    return Spread(learnt.centre, max(learnt.sd, LEAST_SD))
