"""Which model a coat type goes by: its own, else the starting model of its family, and what the shop itself has said of
that coat counted in.
"""

from collections.abc import Mapping
from dataclasses import replace

from drymon.drying import usual_wait
from drymon.drying.air import standard_pressure
from drymon.drying.coat_model import CoatModel, Spread
from drymon.drying.usual_wait import UsualDip
from drymon.shop.setup import CoatType, Family, Rack, RoomSetup

OF_FAMILY = {"prime": "prime-first", "backup": "backup", "seal": "seal"}
"""Of the two prime models the one that dries more slowly."""

LEAST_SD = 0.35
"""On the working scale, for what was learnt of another kind of coat (assumed)."""

SLURRY_ONLY = "slurry-only-first"

MIDDLE_NUMBER: Mapping[Family, int] = {"prime": 1, "backup": 5, "seal": 9}
"""Of a coat that is in no recipe."""

USUAL_TEMPERATURE_C, USUAL_HUMIDITY_PCT = 22.0, 50.0
"""Air of a shop that has set no bands for a coat: the middle of usual drying rooms (common practice, no source)."""

_COUNTED: dict[tuple[str, float, UsualDip], CoatModel] = {}
"""Models with a usual wait counted, by what they are made of: made once, for it takes half a second."""

_MOST_COUNTED = 64


def model_of(kind: CoatType, models: Mapping[str, CoatModel], room: RoomSetup) -> CoatModel | None:
    """The model that a coat goes by in this room: of `start_of`; a starting model with the coat's usual wait counted.
    None: there is none for it.
    """
    model = start_of(kind, models)
    if model is None or kind.usual_wait_h is None or not model.is_starting_model:
        return model
    usual = usual_dip(kind, room)
    key = repr(model), kind.usual_wait_h, usual
    if key not in _COUNTED:
        if len(_COUNTED) >= _MOST_COUNTED:
            _COUNTED.clear()
        _COUNTED[key] = usual_wait.counted(model, kind.usual_wait_h, usual)
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
    return replace(start, name=kind.name, runs=0, shelters_learned=(), correlation=None, parameters=_unsure(start))


def usual_dip(kind: CoatType, room: RoomSetup) -> UsualDip:
    """What a usual wait is compared with: an open tree of that coat at a middle number, in the shop's usual air."""
    racks = room.racks or (Rack("any"),)
    return UsualDip(
        number=_middle_number(kind, room),
        left=1.0 - kind.dry_at,
        temperature_c=_middle(kind.room.temperature_c, USUAL_TEMPERATURE_C),
        humidity_pct=_middle(kind.room.humidity_pct, USUAL_HUMIDITY_PCT),
        pressure_pa=float(standard_pressure(room.altitude_m)),
        slowest=min(rack.airflow_assumed[0] for rack in racks),
        fastest=max(rack.airflow_assumed[1] for rack in racks),
        edges=room.edges,
    )


def _middle_number(kind: CoatType, room: RoomSetup) -> int:
    """Of all places that the room's recipes have for this coat."""
    places = sorted(n for recipe in room.recipes for n, coat in enumerate(recipe.coats, 1) if coat == kind.name)
    return places[(len(places) - 1) // 2] if places else MIDDLE_NUMBER[kind.family]


def _middle(band: tuple[float, float] | None, usual: float) -> float:
    return usual if band is None else 0.5 * (band[0] + band[1])


def _unsure(learnt: CoatModel) -> dict[str, Spread]:
    """What was learnt of another kind of coat is only a start for this one."""
    return {name: Spread(spread.centre, max(spread.sd, LEAST_SD)) for name, spread in learnt.parameters.items()}
