"""Readings corrected by what calibration found.

Value x gain + offset, from the newest calibration before the reading.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import Any, Protocol

from drymon.drying.quantities import Quantity
from drymon.shop.facts.reading import Reading


class StoredCalibration(Protocol):
    """A stored calibration, as the store hands it out."""

    @property
    def time(self) -> datetime: ...
    @property
    def sensor(self) -> str: ...
    @property
    def document(self) -> Mapping[str, Any]: ...


@dataclass(frozen=True, slots=True)
class Correction:
    """True value = gain x reading + offset, from `since` on. Units are the quantity's default ones."""

    since: datetime
    gain: float
    offset: float


@dataclass(frozen=True, slots=True)
class Corrections:
    """Corrections by sensor name (`sensor_name`), oldest first."""

    by_sensor: Mapping[str, tuple[Correction, ...]]

    @classmethod
    def of(cls, calibrations: Iterable[StoredCalibration]) -> Corrections:
        """The corrections that stored calibrations ask for; those without gain and offset, or unfit, ask for none."""
        found: dict[str, list[Correction]] = {}
        fit = (kept for kept in calibrations if kept.document.get("good") is not False)
        for kept in sorted(fit, key=lambda kept: kept.time):
            gain, offset = kept.document.get("gain"), kept.document.get("offset")
            if isinstance(gain, int | float) and isinstance(offset, int | float):
                found.setdefault(kept.sensor, []).append(Correction(kept.time, float(gain), float(offset)))
        return cls({name: tuple(own) for name, own in found.items()})

    def checked(self, quantity: Quantity, value: float, least: float) -> list[tuple[str, datetime, bool]]:
        """Where (place) and when sensors of this quantity were calibrated, and whether that changed what they say near
        a value by `least` or more (in its unit).
        """
        found = []
        for name, own in self.by_sensor.items():
            place, *rest = name.split("/")
            if quantity.value in rest[:1]:
                said = [value, *(one.gain * value + one.offset for one in own)]
                steps = zip(own, pairwise(said), strict=True)
                found += [(place, one.since, abs(after - before) >= least) for one, (before, after) in steps]
        return found


def sensor_name(place: str, quantity: str, sensor: str) -> str:
    """How calibrations name a sensor: place/quantity or place/quantity/sensor, as its topic does."""
    return "/".join(part for part in (place, quantity, sensor) if part)


def corrected(reading: Reading, corrections: Corrections) -> Reading:
    """The reading with its sensor's newest correction that is not younger than it; unchanged where there is none.

    A load cell is known by its name alone, wherever it hangs.
    """
    own = corrections.by_sensor.get(sensor_name(reading.place, reading.quantity.value, reading.sensor))
    if own is None and reading.quantity.value == "weight":
        own = corrections.by_sensor.get(reading.sensor)
    if own is None:
        return reading
    place = bisect_right([correction.since for correction in own], reading.time) - 1
    if place < 0:
        return reading
    return replace(reading, value=own[place].gain * reading.value + own[place].offset)
