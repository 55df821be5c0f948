"""The air that a rack's trees saw, minute by minute, from whatever sensors count for the rack.

`RackAir` answers for one rack: the values of a minute, the step that drives drying, and whether there is evidence at
all. A change in old evidence drops what was worked out from that minute on.
"""

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import numpy.typing as npt

from drymon.drying import air, draws, ensemble, surface
from drymon.drying.ensemble import AirStep
from drymon.drying.quantities import RECORDED, Quantity
from drymon.shop.air.air_book import NOWHERE, AirBook
from drymon.shop.air.minute_air import MinuteAir, Noted, noted_of
from drymon.shop.air.sensors import KEPT_MIN, MINUTE_S, MinuteSeries, minute_done
from drymon.shop.facts.measured import ByCloth, InItsPlace
from drymon.shop.facts.outcome import AirNow
from drymon.shop.facts.setup import STILL_AIR, Rack, RoomSetup

Array = npt.NDArray[np.float64]

PRESSURE_BACK_MIN = 60
"""Minutes for which a pressure stays good: it changes slowly, and little hangs on it."""


class RackAir:
    """One rack's air by the minute, worked out when asked for and kept."""

    def __init__(self, book: AirBook, rack: Rack) -> None:
        self.book, self.rack = book, rack
        self.places = rack.places
        self.back = book.setup.stale_after // timedelta(minutes=1)
        self.stale_s = MINUTE_S * book.setup.stale_after_min
        self.temperature, self.ratio, self.speed = MinuteSeries(), MinuteSeries(), MinuteSeries()
        self.cloths: Mapping[bool, ByCloth] = {}
        self._kept: dict[int, MinuteAir | Noted] = {}
        self._fans: list[tuple[int, bool]] = []
        self._missing: tuple[tuple[float, int], tuple[str, ...]] = ((math.nan, 0), ())
        self._coefficients: dict[tuple[float, float], tuple[Array, Array]] = {}
        self._altitude_pressure = float(air.standard_pressure(book.setup.altitude_m))

    def fans_switched(self, minute: int, on: bool) -> None:
        """The rack's fans were switched in this minute."""
        self._fans = sorted([*self._fans, (minute, on)])
        self.forget_from(minute)

    def forget_from(self, minute: int) -> None:
        """Evidence changed: drop what was worked out from this minute on."""
        for old in [m for m in self._kept if m >= minute]:
            del self._kept[old]
        for series in (self.temperature, self.ratio, self.speed):
            series.forget(minute, minute + KEPT_MIN)

    def minute(self, minute: int) -> MinuteAir:
        """The air of minute [minute, minute + 1)."""
        found = self._kept.get(minute)
        if isinstance(found, Noted):
            found = self._kept[minute] = self._again(found)
        if found is None:
            found = self._kept[minute] = self._work_out(minute)
            if len(self._kept) > 3 * 1440:
                for old in sorted(self._kept)[:1440]:
                    del self._kept[old]
        return found

    def packed(self) -> dict[str, Any]:
        """What an image keeps: of each minute what was measured, for what follows from it can be worked out again."""
        rows = [(minute, *noted_of(each)) for minute, each in self._kept.items()]
        return {**vars(self), "_kept": np.array(rows, dtype=np.float64).reshape(len(rows), 1 + len(Noted._fields))}

    def unpack(self, kept: Mapping[str, Any]) -> None:
        """Be the air that was kept."""
        vars(self).update(kept)
        self._kept = {}
        for minute, known, *measured, drifted, pressure in kept["_kept"].tolist():
            self._kept[int(minute)] = Noted._make((bool(known), *measured, bool(drifted), pressure))

    def measured(self, cloths: Mapping[bool, ByCloth]) -> None:
        """What wet cloths say of this rack, by whether the fans ran: minutes are worked out anew with them."""
        self.cloths = cloths
        self._kept.clear()

    def _again(self, noted: Noted) -> MinuteAir:
        """A minute as it was worked out before."""
        assumed = noted.low, noted.high
        of_air = noted.temperature_c, noted.humidity_pct, noted.speed, assumed
        if math.isnan(noted.temperature_c):
            return MinuteAir(noted.known, *of_air, _NOTHING_KNOWN, pressure_pa=noted.pressure_pa)
        step = self.drive(*of_air, noted.pressure_pa)
        found = MinuteAir(noted.known, *of_air, step, _drive(step), noted.drifted, noted.pressure_pa)
        by_cloth = None if math.isnan(noted.cloth_low) else (noted.cloth_low, noted.cloth_high)
        return self._with_cloth(found, by_cloth)

    def _with_cloth(self, air: MinuteAir, by_cloth: tuple[float, float] | None) -> MinuteAir:
        """The minute with the step of those who go by the rack's wet cloth."""
        if by_cloth is None:
            return air
        step = self.drive(air.temperature_c, air.humidity_pct, air.speed, by_cloth, air.pressure_pa)
        return replace(air, by_cloth=by_cloth, cloth_step=step)

    def rework(self, minute: int) -> None:
        """Forget a minute that may have been worked out before all of its readings were there."""
        self._kept.pop(minute, None)

    def now(self, seconds: float) -> AirNow:
        """What is fresh and trusted at a stream time (seconds since 1970), as measured."""
        minute = minute_done(seconds)
        at = self.minute(minute)
        if not at.known:
            temperature = self.book.value(self.places, Quantity.TEMPERATURE, int(seconds // MINUTE_S), self.back)
            humidity = self.book.value(self.places, Quantity.HUMIDITY, int(seconds // MINUTE_S), self.back)
            found = _or_none(temperature), _or_none(humidity), _or_none(at.speed), None
            return AirNow(*found, math.isnan(at.speed), **self._recorded(int(seconds // MINUTE_S)))
        pressure = self.book.value(self.places, Quantity.PRESSURE, int(seconds // MINUTE_S), self.back)
        humidity = self.book.value(self.places, Quantity.HUMIDITY, minute, self.back) if at.drifted else at.humidity_pct
        measured = at.temperature_c, humidity, _or_none(at.speed), _or_none(pressure)
        return AirNow(*measured, math.isnan(at.speed), **self._recorded(minute))

    def _recorded(self, minute: int) -> dict[str, float | None]:
        """What is fresh of the quantities that no verdict rests on."""
        return {
            row.key: _or_none(self.book.value(self.places, quantity, minute, self.back))
            for quantity, row in RECORDED.items()
        }

    def missing(self, seconds: float) -> tuple[str, ...]:
        """Which of temperature and humidity have no fresh, trusted value at a stream time (seconds since 1970)."""
        key = (seconds, self.book.taken)
        if self._missing[0] != key:
            minute = minute_done(seconds)
            wanted = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
            self._missing = (key, tuple(q.value for q in wanted if not self._fresh(q, minute, seconds)))
        return self._missing[1]

    def awaits(self, quantity: Quantity, seconds: float) -> bool:
        """Whether this is temperature or humidity, and nothing fresh of it is there at a stream time."""
        if quantity not in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
            return False
        return self.book.newest(self.places, quantity) < seconds - self.stale_s

    def _fresh(self, quantity: Quantity, minute: int, seconds: float) -> bool:
        value = self.book.value(self.places, quantity, minute, self.back)
        return not math.isnan(value) and self.book.newest(self.places, quantity) >= seconds - self.stale_s

    def fan_on(self, minute: int) -> bool | None:
        """The last word on the fans at a minute, None where nobody said."""
        state = None
        for when, on in self._fans:
            if when > minute:
                break
            state = on
        return state

    def _work_out(self, minute: int) -> MinuteAir:
        temperature = self.book.value(self.places, Quantity.TEMPERATURE, minute, self.back)
        humidity = self.book.damp(self.places, minute, self.back)
        speed = self.book.value(self.places, Quantity.AIRFLOW, minute, self.back)
        known = not (math.isnan(temperature) or math.isnan(humidity))
        if not known:
            before = self._last_known(minute)
            if before is None:
                nothing = NOWHERE, NOWHERE, speed, self.assumed_range(minute), _NOTHING_KNOWN
                return MinuteAir(False, *nothing, pressure_pa=self._altitude_pressure)
            temperature, humidity = before
        measured = self.book.value(self.places, Quantity.PRESSURE, minute, PRESSURE_BACK_MIN)
        pressure = self._altitude_pressure if math.isnan(measured) else measured
        assumed = self.assumed_range(minute)
        if known:
            self.temperature.set(minute, temperature)
            self.ratio.set(minute, float(air.humidity_ratio(temperature, humidity, pressure)))
        self.speed.set(minute, speed)
        step = self.drive(temperature, humidity, speed, assumed, pressure)
        drive = _drive(step)
        drifted = humidity != self.book.value(self.places, Quantity.HUMIDITY, minute, self.back)
        found = MinuteAir(known, temperature, humidity, speed, assumed, step, drive, known and drifted, pressure)
        return self._with_cloth(found, self.range_by_cloth(minute) if math.isnan(speed) else None)

    def _last_known(self, minute: int) -> tuple[float, float] | None:
        """Temperature and humidity of the newest minute before that had both."""
        earlier = self._kept.get(minute - 1)
        if earlier is not None:
            values = earlier.temperature_c, earlier.humidity_pct
            return None if math.isnan(values[0]) else values
        temperature = self.book.value(self.places, Quantity.TEMPERATURE, minute, 7 * 1440)
        humidity = self.book.damp(self.places, minute, 7 * 1440)
        return None if math.isnan(temperature) or math.isnan(humidity) else (temperature, humidity)

    def assumed_range(self, minute: int) -> tuple[float, float]:
        """Air speeds to draw from where none is measured: still air where fans are off, wide where the anemometer
        fell silent.
        """
        if self.fan_on(minute) is False:
            return self.rack.speeds_assumed(fans_off=True)
        return self._silent(*self.rack.speeds_assumed(fans_off=False))

    def range_by_cloth(self, minute: int) -> tuple[float, float] | None:
        """The same as a wet cloth has told it, of a minute with the fans as they were then; None where none has."""
        cloth = self.cloth(minute)
        return None if cloth is None else self._silent(cloth.low, cloth.high)

    def cloth(self, minute: int) -> ByCloth | None:
        """The wet cloth that speaks for a minute."""
        return self.cloths.get(self.fan_on(minute) is not False)

    def place_by_cloth(self, minute: int) -> InItsPlace | None:
        """What a coat that is dipped in this minute finds in the place of an anemometer; None without a wet cloth."""
        speed, cloth = self.book.value(self.places, Quantity.AIRFLOW, minute, self.back), self.cloth(minute)
        if cloth is None or not math.isnan(speed):
            return None
        assumed = self.rack.speeds_assumed(fans_off=self.fan_on(minute) is False)
        return InItsPlace(assumed, (cloth.low, cloth.high))

    def _silent(self, low: float, high: float) -> tuple[float, float]:
        """The range, from still air on where an anemometer was heard that is silent now: the fans may be, too."""
        silent = self.book.has_sensor(self.places, Quantity.AIRFLOW)
        return (min(low, STILL_AIR[0]), high) if silent else (low, high)

    def probe(self, name: str, minute: int, back: int) -> float:
        """Mean of what a surface probe of this rack has read in (minute - back, minute], NaN where nothing."""
        return self.book.probe(self.places, name, minute, back)

    def drive(
        self,
        temperature: float,
        humidity: float,
        speed: float,
        assumed: tuple[float, float],
        pressure: float | None = None,
    ) -> AirStep:
        """One step of this air; a measured speed gives one air-side resistance, an assumed range one a member."""
        pressure = pressure or self._altitude_pressure
        coefficients = self.coefficients(speed, assumed, temperature, pressure)
        return ensemble.air_step(temperature, humidity, coefficients, pressure)

    def coefficients(
        self, speed: float, assumed: tuple[float, float], temperature: float, pressure: float
    ) -> tuple[ensemble.Values, ensemble.Values]:
        """Transfer coefficients h, h_m: of a measured speed, or of the members' places in the assumed range."""
        if not math.isnan(speed):
            h, h_m = surface.transfer_coefficients(min(speed, surface.SPEED_RANGE_M_PER_S[1]), temperature, pressure)
            return float(h), float(h_m)
        if assumed not in self._coefficients:
            h, h_m = surface.transfer_coefficients(draws.assumed_speeds(*assumed))
            self._coefficients[assumed] = np.asarray(h), np.asarray(h_m)
        h, h_m = self._coefficients[assumed]
        by_h, by_h_m = surface.transfer_change(temperature, pressure)
        return by_h * h, by_h_m * h_m


_NOTHING_KNOWN = ensemble.REFERENCE_AIR
"""Before the first reading: ordinary room air, which only the hopeful members get."""


def _drive(step: AirStep) -> float:
    """How fast an open wet face dries in it, in the middle of an assumed range."""
    one = isinstance(step.resistance, float)  # it is its own mean, and asked for each minute
    return float(step.deficit / (step.resistance if one else np.mean(step.resistance)))


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value


def racks_of(setup: RoomSetup, place: str) -> list[str]:
    """Racks whose air counts this place."""
    return [rack.name for rack in setup.racks if place in rack.places]
