"""How long coming coats will take: in the air of the past day at their rack, or in air that somebody asks about, by the
model that each goes by.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from drymon.drying import air as moist
from drymon.drying import coat, dips
from drymon.drying.edges import EDGES
from drymon.drying.ensemble import AirStep
from drymon.shop.air.rack_air import RackAir
from drymon.shop.air.sensors import minute_done
from drymon.shop.facts.events import Dip
from drymon.shop.facts.measured import InItsPlace
from drymon.shop.facts.outcome import PlanAir
from drymon.shop.tree.starting import measured_model
from drymon.shop.tree.state import ASSURANCE, World

PAST_MIN = 24 * 60
"""A day, so that nights and mornings are in it: coats to come will meet both."""

KEPT_S, DRIVE_APART = 3600.0, 0.05
"""A wait is worked out anew after an hour, where the air's drive has changed by this share."""


@dataclass(frozen=True, slots=True)
class Wait:
    """Seconds after a dip until the coat is likely dry, and surely (`ASSURANCE`); infinite where the air never dries
    it so far.
    """

    likely_s: float
    sure_s: float


NEVER = Wait(math.inf, math.inf)


_Key = tuple[str, str, int, str, float]
"""Rack, coat, number, shelter, and how thick the slurry is."""


@dataclass(frozen=True, slots=True)
class _Made:
    wait: Wait
    at: float
    drive: float


class Waits:
    """Keeps what was worked out. Pure: the same facts give the same waits."""

    def __init__(self, world: World, air: Mapping[str, PlanAir] | None = None) -> None:
        """air: by rack, in the place of the past day's."""
        self.world, self._air = world, air
        self._made: dict[_Key, _Made] = {}

    def of(self, rack: str, coat_name: str, number: int, shelter: str, at: float, thick: float = 0.0) -> Wait:
        """For a coat that is to be dipped there. thick: its slurry, as in `dips.possible_coats`."""
        key = rack, coat_name, number, shelter, thick
        made = self._made.get(key)
        if made is not None and 0.0 <= at - made.at < KEPT_S:
            return made.wait
        minute = minute_done(at)
        told = self.air(rack, at)
        if told is None:
            return NEVER
        step = _step(self.world.air[rack], told)
        drive = float(step.deficit / np.mean(step.resistance))
        if drive <= 0.0:  # saturated: nothing would ever dry
            return NEVER
        if made is None or abs(drive / made.drive - 1.0) > DRIVE_APART:
            by_cloth = None if told.airflow is not None else self.world.air[rack].place_by_cloth(minute)
            made = _Made(self._worked_out(key, step, by_cloth), at, drive)
        self._made[key] = replace(made, at=at)
        return made.wait

    def air(self, rack: str, at: float) -> PlanAir | None:
        """The air at a rack that coats to come will dry in; None where nothing is known of it."""
        if self._air is not None:
            return self._air.get(rack)
        return _usual(self.world.air[rack], minute_done(at))

    def of_dip_now(self, rack: str, coat_name: str, number: int, shelter: str, at: float) -> Wait:
        """For a coat that is dipped at once, in slurry as it is by the last cup."""
        now = datetime.fromtimestamp(at, UTC)
        dip = Dip(time=now, arrived=now, tree="", rack=rack, coat=coat_name)
        slurry = self.world.tanks.thickness(self.world.setup, dip)
        return self.of(rack, coat_name, number, shelter, at, slurry.log if slurry is not None else 0.0)

    def _worked_out(self, key: _Key, step: AirStep, by_cloth: InItsPlace | None) -> Wait:
        rack, coat_name, number, shelter, thick = key
        setup, model = self.world.setup, self.world.goes_by[coat_name]
        if model is None:
            return NEVER
        kind = setup.coat_by_name[coat_name]
        own = measured_model(model, self.world.waters.get(coat_name), by_cloth)
        coats = dips.possible_coats(own, number, shelter, rack=rack, edges=EDGES[setup.edges], thick=thick)
        dry = coat.steady_seconds(coats, 1.0 - kind.dry_at, step)
        seconds = np.sort(np.maximum(dry, 3600.0 * (kind.shortest_wait_h or 0.0)))
        return Wait(*(float(seconds[math.ceil(share * len(seconds)) - 1]) for share in (0.5, ASSURANCE)))


def _usual(air: RackAir, minute: int) -> PlanAir | None:
    """The mean air of the past day, None where nothing is known of it."""
    newest = air.minute(minute)
    if not newest.known:
        return None
    series = (air.temperature, air.ratio, air.speed)
    temperature, ratio, speed = (_mean(each.window(minute - PAST_MIN, minute + 1)) for each in series)
    if math.isnan(temperature) or math.isnan(ratio):
        temperature, humidity = newest.temperature_c, newest.humidity_pct
    else:
        humidity = float(moist.humidity_from_ratio(temperature, ratio, newest.pressure_pa))
    assumed = newest.range_of(air.place_by_cloth(minute) is not None)
    measured = None if math.isnan(speed) else speed
    return PlanAir(temperature, min(humidity, 100.0), measured, assumed, newest.pressure_pa)


def _step(air: RackAir, told: PlanAir) -> AirStep:
    speed = math.nan if told.airflow is None else told.airflow
    return air.drive(told.temperature_c, told.humidity_pct, speed, told.assumed, told.pressure_pa)


def _mean(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else math.nan
