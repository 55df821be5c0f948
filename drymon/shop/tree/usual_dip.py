"""How a coat usually hangs in a room, by its set-up: what a usual wait is compared with."""

from collections.abc import Mapping

from drymon.drying.air import standard_pressure
from drymon.drying.usual_wait import UsualDip
from drymon.shop.facts.setup import CoatType, Family, Rack, RoomSetup

MIDDLE_NUMBER: Mapping[Family, int] = {"prime": 1, "backup": 5, "seal": 9}
"""Of a coat that is in no recipe."""

USUAL_TEMPERATURE_C, USUAL_HUMIDITY_PCT = 22.0, 50.0
"""Air of a shop that has set no bands for a coat: the middle of usual drying rooms (common practice, no source)."""


def usual_dip(kind: CoatType, room: RoomSetup) -> UsualDip:
    """What a usual wait is compared with: an open tree of that coat at a middle number, in the shop's usual air."""
    racks = room.racks or (Rack("any"),)
    return UsualDip(
        number=middle_number(kind, room),
        left=1.0 - kind.dry_at,
        temperature_c=_middle(kind.room.temperature_c, USUAL_TEMPERATURE_C),
        humidity_pct=_middle(kind.room.humidity_pct, USUAL_HUMIDITY_PCT),
        pressure_pa=float(standard_pressure(room.altitude_m)),
        slowest=min(rack.airflow_assumed[0] for rack in racks),
        fastest=max(rack.airflow_assumed[1] for rack in racks),
        edges=room.edges,
    )


def middle_number(kind: CoatType, room: RoomSetup) -> int:
    """The number that a coat mostly has in the recipes; one in none has that of its family."""
    places = sorted(n for recipe in room.recipes for n, coat in enumerate(recipe.coats, 1) if coat == kind.name)
    return places[len(places) // 2] if places else MIDDLE_NUMBER[kind.family]


def _middle(band: tuple[float, float] | None, usual: float) -> float:
    return usual if band is None else 0.5 * (band[0] + band[1])
