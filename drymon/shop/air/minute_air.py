"""What a rack's air was over one minute, as it is kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from drymon.drying import air
from drymon.drying.ensemble import AirStep
from drymon.shop.air.air_book import NOWHERE


@dataclass(frozen=True, slots=True)
class MinuteAir:
    """A rack's air over one minute. `known`: temperature and humidity are fresh and trusted; if not, the values are
    the last known.

    speed: measured air speed, NaN where the range `assumed` stands for it. drive: how fast an open wet face dries in
    it, kg/(m2 s), in the middle of an assumed range. drifted: the humidity is damper than measured, for its
    sensor has drifted. pressure_pa: measured within the last hour, else that of the height above the sea.
    by_cloth: the range that a wet cloth told in the place of `assumed`, with its step; None where there is none.
    """

    known: bool
    temperature_c: float
    humidity_pct: float
    speed: float
    assumed: tuple[float, float]
    step: AirStep
    drive: float = 0.0
    drifted: bool = False
    pressure_pa: float = air.STANDARD_PRESSURE_PA
    by_cloth: tuple[float, float] | None = None
    cloth_step: AirStep | None = None

    def step_of(self, by_cloth: bool) -> AirStep:
        """The step of a coat that goes by the rack's wet cloth where there is one, or of one that does not."""
        return self.cloth_step if by_cloth and self.cloth_step is not None else self.step

    def range_of(self, by_cloth: bool) -> tuple[float, float]:
        """The air speeds that stand for a measured one, for such a coat."""
        return self.by_cloth if by_cloth and self.by_cloth is not None else self.assumed


class Noted(NamedTuple):
    """A minute's air without what follows from it; the range assumed from `low` to `high`, by a cloth NaN for none."""

    known: bool
    temperature_c: float
    humidity_pct: float
    speed: float
    low: float
    high: float
    cloth_low: float
    cloth_high: float
    drifted: bool
    pressure_pa: float


def noted_of(air: MinuteAir | Noted) -> Noted:
    """What is kept of a minute: the rest can be worked out again."""
    if isinstance(air, Noted):
        return air
    measured = air.known, air.temperature_c, air.humidity_pct, air.speed
    return Noted(*measured, *air.assumed, *(air.by_cloth or (NOWHERE, NOWHERE)), air.drifted, air.pressure_pa)
