"""What all sensors of the room have said that is evidence, by place and quantity."""

import math
from collections.abc import Sequence
from statistics import median

import numpy as np

from drymon.drying.quantities import LIMITS, Quantity
from drymon.shop.air.combined import first_place
from drymon.shop.air.cross_check import CrossCheck
from drymon.shop.air.digits import MOVES, NOTHING, Around, Heard
from drymon.shop.air.sensors import Taken, Track
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.setup import RoomSetup

NOWHERE = float("nan")
"""The value where there is none."""


class AirBook:
    """Every sensor's track, by place and quantity."""

    def __init__(self, setup: RoomSetup) -> None:
        self.setup = setup
        self.taken = 0
        self.tracks: dict[tuple[str, Quantity, str], Track] = {}
        self._by_place: dict[tuple[str, Quantity], list[Track]] = {}
        self.cross_check = CrossCheck(self._by_place)

    def enter(self, reading: Reading) -> Taken:
        """Judge a reading and keep it."""
        self.taken += 1
        key = (reading.place, reading.quantity, reading.sensor)
        track = self.tracks.get(key)
        if track is None:
            track = self.tracks[key] = Track(*key)
            self._by_place.setdefault(key[:2], []).append(track)
        taken = track.admit(reading, lambda: self._around(reading))
        self.cross_check.forget(taken.changed)
        return taken

    def _around(self, reading: Reading) -> Around:
        """What is heard around a reading whose digits stay."""
        related = LIMITS[reading.quantity].partner
        if related is None:
            return NOTHING
        here = self._by_place.get((reading.place, related), ())
        siblings = [track.digits for track in here if track.sensor == reading.sensor] or [t.digits for t in here]
        others = (
            Heard((track.place, track.quantity, track.sensor), track.quantity, track.trusted.value)
            for track in self.tracks.values()
            if track.quantity in MOVES and track.place != reading.place and track.trusted is not None
        )
        return Around(self._related(reading, related), siblings[0] if siblings else None, others)

    def _related(self, reading: Reading, quantity: Quantity) -> float | None:
        """The newest value of this quantity at the reading's place, else where its racks look next."""
        places = [
            reading.place,
            *(rack.name for rack in self.setup.racks if reading.place in rack.air),
            "room",
        ]
        for place in places:
            for track in self._by_place.get((place, quantity), ()):
                if track.trusted is not None:
                    return track.trusted.value
        return None

    def value(self, places: Sequence[str], quantity: Quantity, minute: int, back: int) -> float:
        """Median of the fresh sensors at the first place that has any, NaN where none has."""
        found = first_place((self._values(place, quantity, minute, back) for place in places), median)
        return NOWHERE if found is None else found

    def damp(self, places: Sequence[str], minute: int, back: int) -> float:
        """The humidity that coats dry in: as measured, but that of a sensor which has drifted towards dry as the others
        say.
        """
        moved = self.cross_check.moved
        fresh = ((place, self._fresh(place, Quantity.HUMIDITY, minute, back)) for place in places)
        damp = ([value + moved(place, name, minute) for name, value in sensors] for place, sensors in fresh)
        found = first_place(damp, median)
        return NOWHERE if found is None else min(found, 100.0)

    def _values(self, place: str, quantity: Quantity, minute: int, back: int) -> list[float]:
        """The newest values of a place's fresh sensors."""
        return [value for _, value in self._fresh(place, quantity, minute, back)]

    def _fresh(self, place: str, quantity: Quantity, minute: int, back: int) -> list[tuple[str, float]]:
        """The fresh sensors of a place by name, with their newest value."""
        tracks = self._by_place.get((place, quantity), ())
        values = [(track.sensor, track.minutes.latest(minute, back)[0]) for track in tracks]
        return [(name, value) for name, value in values if not math.isnan(value)]

    def probe(self, places: Sequence[str], name: str, minute: int, back: int) -> float:
        """Mean of a surface probe's trusted minutes in (minute - back, minute], NaN where there are none."""
        for place in places:
            track = self.tracks.get((place, Quantity.SURFACE, name))
            if track is not None:
                values = track.minutes.window(minute - back + 1, minute + 1)
                if np.isfinite(values).any():
                    return float(np.nanmean(values))
        return NOWHERE

    def newest(self, places: Sequence[str], quantity: Quantity) -> float:
        """Time (seconds since 1970) of the newest trusted reading at these places, minus infinity where there is
        none.
        """
        tracks = (track for place in places for track in self._by_place.get((place, quantity), ()))
        return max((t.trusted.time.timestamp() for t in tracks if t.trusted is not None), default=-math.inf)

    def has_sensor(self, places: Sequence[str], quantity: Quantity) -> bool:
        """Whether any sensor for this has ever been heard at these places."""
        return any(self._by_place.get((place, quantity)) for place in places)
