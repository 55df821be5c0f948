"""What one dip's possible coats are: their parameters, the state of their water, the air of a step. `coat` makes the
water go.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from drymon.drying import curve, possible, sorption, surface

Array = npt.NDArray[np.float64]
Values = float | Array

ZONES: dict[str, tuple[str, ...]] = {
    "open": ("open",),
    "pocketed": ("open", "pocketed"),
    "deep": ("open", "pocketed", "deep"),
}
"""Zones of a tree by its shelter, each slower than the one before: a deep pocket lies behind a pocket's mouth."""

EDGE = "edge"
"""A further zone of no area in what a verdict is about: the slowest zone's thickest edges, which no scale can see."""

FAN_REACHES = {"open": 1.0, "pocketed": 0.5, "deep": 0.2}
"""How far the air in a slow zone follows the air speed outside: all of it would be 1, a column of still air 0. A cup is
half stirred, of a deep slot or bore only the mouth is (assumed, between the two).
"""

OPEN_FACE = 270.0
"""s/m, resistance of the air over a wet open face at 22 degC, 50 % RH and 0.6 m/s: where a slow zone's speed over that
of the open faces is counted.
"""

_ARRAYS = (
    "share",
    "water",
    "cooling",
    "conductance",
    "pocket",
    "fan",
    "critical",
    "exponent",
    "end",
    "inner",
    "liquid",
    "sorption",
    "sunk",
    "below",
    "buried",
    "airflow",
    "lag",
    "slowing",
    "damp",
    "warm",
    "wind",
    "slowness",
)


@dataclass(frozen=True, slots=True)
class AirStep:
    """Air over one step, for all members or one value each.

    deficit, saturation [kg/m3] at the air's temperature; excess [monolayers] of the sorption isotherm over its
    reference; resistance [s/m] of the air side of an open wet face. Shapes broadcast with (members,).
    """

    deficit: Values
    saturation: Values
    excess: Values
    resistance: Values

    @classmethod
    def of_each(cls, airs: Sequence[Self]) -> Self:
        """The air of several dips that are stepped together (`joined`), (dips, 1, 1) or (dips, 1, members)."""
        resistance: Sequence[Values] = [air.resistance for air in airs]
        if any(np.ndim(each) for each in resistance):
            resistance = np.broadcast_arrays(*resistance)
        columns = [air.deficit for air in airs], [air.saturation for air in airs], [air.excess for air in airs]
        return cls(*(np.array(part).reshape(len(airs), 1, -1) for part in (*columns, resistance)))


def air_step(
    temperature_c: float, humidity_pct: float, coefficients: tuple[Values, Values], pressure_pa: float
) -> AirStep:
    """What air means for drying. coefficients: transfer of heat and of water to an open face, h [W/(m2 K)] and h_m
    [m/s], one value or one a member (`surface.transfer_coefficients`).
    """
    drive = surface.air_drive(temperature_c, humidity_pct, pressure_pa)
    radiation = surface.radiative_coefficient(temperature_c)
    resistance = surface.air_side_resistance(drive.slope_heat, *coefficients, radiation)
    excess = float(sorption.excess(drive.humidity_pct))
    return AirStep(float(drive.deficit), float(drive.saturation), excess, resistance)


@dataclass(frozen=True, slots=True, eq=False)  # each is itself alone: what was worked out of it is kept by it
class PossibleCoats:
    """Parameters of one dip's possible coats; arrays (zones, members) unless said.

    share [-] of the tree's wet area that lies in each zone; water [kg/m2] removable water right after the dip, what was
    buried included; conductance [-] transfer over that of the textbook open face; pocket [-] by how much the resistance
    of a slow zone's own air exceeds that of an open face in `OPEN_FACE` air, over it; fan [-] how far it follows the
    speed outside (`outside`); cooling, critical, exponent, liquid (members,); end [-] (members,) share left below which
    the drying is exponential; lag [-] factor on the time, damp, warm (members,) powers of the air in it
    (`coat.time_factor`); slowing [-] (members,) natural logarithm of the factor on the shell's resistance at the end
    (`coat.end_factor`); wind [-] (members,) power of the air side's resistance; inner [s/m]; sorption [-] per
    monolayer, of all coats' binder that answers to the air (`coats_breathing`); sunk [-] share of `water` that lies in
    the coats below; below [s/m] resistance of those coats; buried [-] share of `water` that older coats brought, below
    0 where they lack some; airflow, slowness (members,): place in an assumed range of speeds, rank by time to dry; form
    (members,), or one for all: index of the falling rate's form in `coat_model.TAILS`, None where all are of the power
    form.
    """

    zones: tuple[str, ...]
    share: Array
    water: Array
    cooling: Array
    conductance: Array
    pocket: Array
    fan: Array
    critical: Array
    exponent: Array
    end: Array
    inner: Array
    liquid: Array
    sorption: Array
    sunk: Array
    below: Array
    buried: Array
    airflow: Array
    lag: Array
    slowing: Array
    damp: Array
    warm: Array
    wind: Array
    slowness: Array
    form: npt.NDArray[np.int64] | None = field(default=None, kw_only=True)

    def of_tree(self, values: Array) -> Array:
        """Mean of `values` (zones, members) over the tree's faces, (members,): what a scale sees."""
        return np.asarray((self.share * values).sum(axis=0))

    def mapped(self, change: Callable[[Any], Any]) -> Self:
        """The same coats with every array of parameters changed alike: picked, reshaped, repeated."""
        form = None if self.form is None else change(self.form)
        return type(self)(self.zones, *(change(getattr(self, name)) for name in _ARRAYS), form=form)


@dataclass(frozen=True)
class CoatState:
    """What is left of one dip's water.

    left (zones, members): share of `water` still there. dry_since (members,): stream time in seconds at which the
    slowest part reached the target, NaN while it has not. weights (members,): sum 1.
    """

    left: Array
    dry_since: Array
    weights: Array

    @property
    def slowest(self) -> Array:
        """Share left in the slowest part of each member, (members,)."""
        return np.asarray(self.left.max(axis=0))

    @cached_property
    def chance_dry(self) -> float:
        """Weight of the members whose slowest part has reached the target."""
        return float(self.weights[~np.isnan(self.dry_since)].sum())

    @classmethod
    def fresh(cls, zones: int, members: int = possible.MEMBERS) -> Self:
        """Right after the dip: all water there, no member preferred."""
        return cls(np.ones((zones, members)), np.full(members, np.nan), np.full(members, 1.0 / members))


REFERENCE_AIR = AirStep(deficit=0.0097, saturation=0.0194, excess=0.0, resistance=OPEN_FACE)
"""22 degC, 50 % RH, about 0.6 m/s: for ranking members only."""


def form_of(tail: str, members: int) -> npt.NDArray[np.int64] | None:
    """A tail's index in `coat_model.TAILS` for each member; None for the power form. ValueError: no such tail."""
    index = curve.form_of(tail)
    return None if index == curve.POWER else np.full(members, index)


def water_left(coats: PossibleCoats, state: CoatState) -> Array:
    """Water [kg/m2] left in each zone, (zones, members): what the next dip buries there."""
    return np.asarray(state.left * coats.water)


def stacked(parts: Sequence[PossibleCoats]) -> PossibleCoats:
    """The slowest zones of several dips as rows of one ensemble, for a forecast of all trees at once."""
    return _together([part.mapped(lambda array: np.atleast_2d(array)[-1:]) for part in parts])


def joined(parts: Sequence[PossibleCoats]) -> PossibleCoats:
    """Several dips with equally many zones as one ensemble, to be stepped in one go: arrays (dips, zones, members), or
    (dips, 1, members) where a dip's zones have one value.
    """
    return _together([part.mapped(lambda array: np.atleast_2d(array)[None]) for part in parts])


def _together(parts: Sequence[PossibleCoats]) -> PossibleCoats:
    arrays = [np.concatenate([getattr(part, name) for part in parts]) for name in _ARRAYS]
    forms = [np.zeros_like(part.slowness, np.int64) if part.form is None else part.form for part in parts]
    form = np.concatenate(forms) if any(part.form is not None for part in parts) else None
    return PossibleCoats(tuple(zone for part in parts for zone in part.zones), *arrays, form=form)
