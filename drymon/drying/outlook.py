"""Push the possible coats along the room's possible futures: when is each of them dry?"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drymon.drying import air, coat, forecast, possible, sorption, surface
from drymon.drying.coat import AirStep, PossibleCoats

Array = npt.NDArray[np.float64]

RADIATION = 5.2
"""W/(m2 K), radiation to walls at room temperature."""


@dataclass(frozen=True, slots=True)
class FutureAir:
    """A rack's future for every member, arrays (steps, members): one of the paths each."""

    deficit: Array
    saturation: Array
    excess: Array
    resistance: Array


def future_air(
    paths: forecast.Paths, pressure_pa: float, assumed: tuple[coat.Values, coat.Values] | None
) -> FutureAir:
    """What the paths mean for drying. assumed: transfer coefficients (h, h_m) of the members where no speed is measured, else None."""
    humidity = air.humidity_from_ratio(paths.temperature, paths.ratio, pressure_pa)
    drive = surface.air_drive(
        np.clip(paths.temperature, -30.0, 80.0), np.clip(humidity, 0.0, 100.0), pressure_pa
    )
    member_path = np.arange(possible.MEMBERS) % forecast.PATHS
    if assumed is None:
        h, h_m = _coefficients(paths.speed)
        resistance = surface.air_side_resistance(drive.slope_heat, h, h_m, RADIATION)[:, member_path]
    else:
        resistance = surface.air_side_resistance(
            drive.slope_heat[:, member_path], assumed[0], assumed[1], RADIATION
        )
    return FutureAir(
        np.asarray(drive.deficit)[:, member_path],
        np.asarray(drive.saturation)[:, member_path],
        sorption.excess(drive.humidity_pct)[:, member_path],
        np.asarray(resistance),
    )


_GRID = np.concatenate([[0.0], np.geomspace(0.02, surface.SPEED_RANGE_M_PER_S[1], 60)])


def _coefficients(speed: Array) -> tuple[Array, Array]:
    """Transfer coefficients read off a table over speed: within a percent, and quick for whole futures."""
    if not len(_TABLE):
        _TABLE.extend(np.asarray(part) for part in surface.transfer_coefficients(_GRID))
    return np.interp(speed, _GRID, _TABLE[0]), np.interp(speed, _GRID, _TABLE[1])


_TABLE: list[Array] = []


def seconds_to_dry(
    coats: PossibleCoats, left: Array, targets: Array, futures: Sequence[FutureAir], which: Sequence[int]
) -> Array:
    """Seconds from now until each member's slowest part is dry, (rows, members); infinite beyond the horizon.

    coats: rows as made by `coat.stacked`; left (rows, members): share left now; targets (rows,): share that may be left;
    futures: one per rack; which: each row's index into them.
    """
    found = np.where(left <= targets[:, None], 0.0, np.inf)
    rack = np.asarray(which)
    stack = [
        np.stack([getattr(f, name) for f in futures], axis=1)
        for name in ("deficit", "saturation", "excess", "resistance")
    ]
    for index, seconds in enumerate(forecast.STEPS_S):
        if np.isfinite(found).all():
            break
        step = AirStep(*(part[index][rack] for part in stack))
        after = coat.step(coats, left, step, float(seconds))
        crossed = np.isinf(found) & (after <= targets[:, None])
        if crossed.any():
            share = (left - targets[:, None]) / np.maximum(left - after, 1e-12)
            began = forecast.ENDS_S[index] - seconds
            found = np.where(crossed, began + seconds * np.clip(share, 0.0, 1.0), found)
        left = after
    return found
