"""Push the possible coats along the room's possible futures: when is each of them dry?"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Self

import numpy as np
import numpy.typing as npt

from drymon.drying import air, coat, forecast, possible, sorption, surface
from drymon.drying.ensemble import AirStep, PossibleCoats, Values

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class FutureAir:
    """A rack's future for every member, arrays (steps, members): one of the paths each."""

    deficit: Array
    saturation: Array
    excess: Array
    resistance: Array


def future_air(paths: forecast.Paths, pressure_pa: float, assumed: tuple[Values, Values] | None) -> FutureAir:
    """What the paths mean for drying. assumed: transfer coefficients (h, h_m) of the members where no speed is
    measured, else None.
    """
    warm = np.clip(paths.temperature, -30.0, 80.0)
    # After a leap from dry to damp the wildest paths leave what there can be; air beyond saturation is saturated.
    humidity = air.humidity_from_ratio(warm, np.minimum(paths.ratio, 1.0), pressure_pa)
    drive = surface.air_drive(warm, np.clip(humidity, 0.0, 100.0), pressure_pa)
    radiation = surface.radiative_coefficient(warm)
    member_path = path_of_member()
    if assumed is None:
        h, h_m = _coefficients(paths.speed, float(np.mean(warm)), pressure_pa)
        resistance = np.asarray(surface.air_side_resistance(drive.slope_heat, h, h_m, radiation))[:, member_path]
    else:
        slope_heat, radiation = np.asarray(drive.slope_heat)[:, member_path], np.asarray(radiation)[:, member_path]
        resistance = np.asarray(surface.air_side_resistance(slope_heat, assumed[0], assumed[1], radiation))
    return FutureAir(
        np.asarray(drive.deficit)[:, member_path],
        np.asarray(drive.saturation)[:, member_path],
        sorption.excess(drive.humidity_pct)[:, member_path],
        np.asarray(resistance),
    )


@cache
def path_of_member() -> Indices:
    """Which path each member takes, each path as often: in an order of its own (a Kronecker sequence that no parameter
    is drawn by), so that not just the wet members meet the warm days.
    """
    turns = np.arange(1, possible.MEMBERS + 1) * np.sqrt(137.0) % 1.0
    return np.asarray(np.argsort(np.argsort(turns)) * forecast.PATHS // possible.MEMBERS)


NO_MORE = -np.inf
"""Target of a member that has reached its own: it reaches none again."""

_GRID = np.concatenate([[0.0], np.geomspace(0.02, surface.SPEED_RANGE_M_PER_S[1], 60)])


def _coefficients(speed: Array, temperature_c: float, pressure_pa: float) -> tuple[Array, Array]:
    """Transfer coefficients read off a table over speed, in air of about this temperature and pressure: within a
    percent, and quick for whole futures.
    """
    if not len(_TABLE):
        _TABLE.extend(np.asarray(part) for part in surface.transfer_coefficients(_GRID))
    by_h, by_h_m = surface.transfer_change(temperature_c, pressure_pa)
    return by_h * np.interp(speed, _GRID, _TABLE[0]), by_h_m * np.interp(speed, _GRID, _TABLE[1])


_TABLE: list[Array] = []


def seconds_to_dry(
    coats: PossibleCoats, left: Array, targets: Array, futures: Sequence[FutureAir], which: Sequence[int]
) -> Array:
    """Seconds from now until each member's slowest part is dry, (rows, members); infinite beyond the horizon.

    coats: rows as made by `ensemble.stacked`; left (rows, members): share left now; targets (rows,): share that may be
    left; futures: one per rack; which: each row's index into them.
    """
    found = np.where(left <= targets[:, None], 0.0, np.inf)
    rack = np.asarray(which)
    going = _Going.all(coats, left, targets, rack).only(np.isinf(found).ravel())
    flat = found.reshape(-1)
    names = ("deficit", "saturation", "excess", "resistance")
    drive = [np.stack([getattr(future, name) for future in futures], axis=1) for name in names]
    for index, seconds in enumerate(forecast.STEPS_S):
        if going.done:
            break
        air_step = AirStep(*(part[index][going.rack, going.member] for part in drive))
        after = coat.step(going.coats, going.left, air_step, float(seconds))
        crossed = after <= going.target
        if crossed.any():
            share = coat.share_of_step(going.left, after, going.target, going.coats.sorption * air_step.excess)
            flat[going.place[crossed]] = (forecast.ENDS_S[index] - seconds * (1.0 - share))[crossed]
        going = replace(going, left=after, target=np.where(crossed, NO_MORE, going.target)).thinned()
    return found


@dataclass(frozen=True, slots=True)
class _Going:
    """Members that are still wet, as one flat row; `place`: where each stands in the whole."""

    coats: PossibleCoats
    left: Array
    target: Array
    rack: Indices
    member: Indices
    place: Indices

    @classmethod
    def all(cls, coats: PossibleCoats, left: Array, targets: Array, rack: Indices) -> Self:
        rows, members = left.shape
        spread = coats.mapped(lambda part: np.broadcast_to(part, left.shape).ravel())
        member = np.tile(np.arange(members), rows)
        target, racks = np.repeat(targets, members), np.repeat(rack, members)
        return cls(spread, left.ravel(), target, racks, member, np.arange(rows * members))

    @property
    def done(self) -> bool:
        return bool((self.target == NO_MORE).all())

    def thinned(self) -> Self:
        """Without those that are dry, once they are enough to be worth the copying."""
        dry = self.target == NO_MORE
        return self.only(~dry) if 8 * np.count_nonzero(dry) > len(dry) else self

    def only(self, chosen: npt.NDArray[np.bool_]) -> Self:
        coats = self.coats.mapped(lambda part: part[chosen])
        indices = (part[chosen] for part in (self.rack, self.member, self.place))
        return type(self)(coats, self.left[chosen], self.target[chosen], *indices)
