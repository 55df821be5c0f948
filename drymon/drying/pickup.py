"""The water that a coat brings, from what a piece weighs more after a dip: slurry per area times its share of water."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

SILICA_DENSITY = 2.2
"""g/cm3 of fused silica and of the binder's (Handbook of Chemistry and Physics, vitreous silica)."""

FLOURS: Mapping[str, float] = MappingProxyType(
    {"fused-silica": SILICA_DENSITY, "aluminosilicate": 2.6, "alumina": 3.95, "zircon": 4.6}
)
"""g/cm3 of what slurries are filled with (handbook values of the minerals; aluminosilicate: of calcined clays, common
practice, no source).
"""

FLOUR_DENSITY_SD = 0.03
"""Of a flour's density, on the log scale: grades differ (assumed)."""

BINDER_SILICA = (0.27, 0.03)
"""Share of silica in a colloidal binder and its standard deviation: 24 to 30 % (common practice, no source)."""

GRAVITY_SD = 0.01
"""Of a specific gravity by hydrometer or cup and scale (common practice, no source)."""

SHARE_SD = 0.01
"""Of a share of water or solids that is given (common practice, no source)."""

WATER_SHARES: Mapping[str, tuple[float, float]] = MappingProxyType(
    {"prime": (0.13, 0.30), "backup": (0.22, 0.32), "seal": (0.22, 0.36)}
)
"""Share of water in slurries by the coat's family where nothing is known of it, 5 to 95 %: zircon primes about 0.14 to
0.18 and fused-silica ones more, backups of 1.5 to 1.9 parts of flour to one of binder 0.24 to 0.30 (reckoned from
densities, as in the starting models' origins), seals thinned (assumed).
"""

AREA_SD = 0.05
"""Of a piece's area, on the log scale: edges, the place it is held at, drips (assumed)."""

UNLIKE_TREES_SD = 0.10
"""How far a plain piece's film is from a tree's, on the log scale: it drains otherwise (assumed)."""

NORMAL_90 = 1.645
"""Standard deviations from the middle to 5 or 95 % of a normal distribution."""

STEP_SD = 1.0 / math.sqrt(3.0)
"""Standard deviation of one weighing, in steps of the scale: anywhere within a step either way (assumed)."""


@dataclass(frozen=True, slots=True)
class WaterShare:
    """Mass of water in the mass of slurry, 0 to 1, its standard deviation on the log scale, and where it is from."""

    value: float
    sd: float
    origin: str

    def __post_init__(self) -> None:
        if not 0.0 < self.value < 1.0:
            raise ValueError(f"share of water: received {self.value:g}; allowed is between 0 and 1")


@dataclass(frozen=True, slots=True)
class PickUp:
    """What one piece says of a coat.

    water: kg/m2 that one dip brings on an open face, without what soaks into the coats below.
    slurry: kg/m2 of slurry that hung on.
    own_sd, shared_sd: on the log scale, of this dip alone, and what every piece of this slurry has in common.
    """

    water: float
    slurry: float
    own_sd: float
    shared_sd: float


def share_by_family(family: str) -> WaterShare:
    """Where nothing is known of the slurry. ValueError: no such family."""
    if family not in WATER_SHARES:
        raise ValueError(f"family: received {family!r}; allowed are {', '.join(WATER_SHARES)}")
    low, high = WATER_SHARES[family]
    sd = math.log(high / low) / (2.0 * NORMAL_90)
    return WaterShare(math.sqrt(low * high), sd, f"{100 * low:.0f} to {100 * high:.0f} % of water assumed")


def share_of_solids(solids: float) -> WaterShare:
    """From the share of solids by mass, above 0 and below 1: all that is left when the slurry is dried."""
    water = 1.0 - solids
    return WaterShare(water, SHARE_SD / max(water, SHARE_SD), f"{100 * solids:g} % of solids")


def share_of_gravity(gravity: float, flour: str) -> WaterShare:
    """From the slurry's specific gravity and its flour, a name in `FLOURS`: volumes of flour, silica and water add up.

    Raises ValueError where no share of that flour makes such a gravity.
    """
    if flour not in FLOURS:
        raise ValueError(f"flour: received {flour!r}; allowed are {', '.join(FLOURS)}")
    density, (silica, silica_sd) = FLOURS[flour], BINDER_SILICA
    thin, thick = _binder(silica), 0.98 * density
    if not thin < gravity < thick:
        raise ValueError(
            f"specific gravity: received {gravity:g}; a slurry of {flour} has between {thin:.2f} and {thick:.2f}"
        )
    water = _water(gravity, density, silica)
    moved = (
        _water(gravity + GRAVITY_SD, density, silica),
        _water(gravity, density * (1.0 + FLOUR_DENSITY_SD), silica),
        _water(gravity, density, silica + silica_sd),
    )
    sd = math.hypot(*(math.log(other / water) for other in moved))
    return WaterShare(water, sd, f"specific gravity {gravity:g}, {flour}")


def _binder(silica: float) -> float:
    """Density of a colloidal binder with this share of silica, g/cm3."""
    return 1.0 / (silica / SILICA_DENSITY + 1.0 - silica)


def _water(gravity: float, flour_density: float, silica: float) -> float:
    """Share of water: the binder's share of the slurry follows from the volumes, and is silica and water."""
    binder = (1.0 / gravity - 1.0 / flour_density) / (1.0 / _binder(silica) - 1.0 / flour_density)
    return binder * (1.0 - silica)


def box_area(length_m: float, width_m: float, height_m: float) -> float:
    """Surface of a tile or bar, m2."""
    return 2.0 * (length_m * width_m + width_m * height_m + height_m * length_m)


def pick_up(
    gained_kg: float, step_kg: float, area_m2: float, share: WaterShare, dip_sd: float, soaked: float = 1.0
) -> PickUp:
    """What a piece that gained so much by a dip says of its coat.

    gained_kg: drained slurry, above 0. step_kg: of the scale's digits. area_m2: that was wetted, above 0.
    dip_sd: scatter from dip to dip, log scale. soaked: factor on the water by soaking into the coats below, 1 or more.
    Raises ValueError for a gain or an area that is not above 0.
    """
    if not (gained_kg > 0.0 and area_m2 > 0.0):
        raise ValueError(f"pick-up: received {gained_kg:g} kg on {area_m2:g} m2; allowed is more than nothing")
    slurry = gained_kg / area_m2
    weighed = math.sqrt(2.0) * STEP_SD * step_kg / gained_kg
    own, shared = math.hypot(weighed, AREA_SD, dip_sd), math.hypot(UNLIKE_TREES_SD, share.sd)
    return PickUp(slurry * share.value / soaked, slurry, own, shared)
