"""Whether a place's humidity still goes with the other places': a room has one vapour pressure, near enough.

A hygrometer that drifts towards dry hurries every tree of its rack, and nothing in its own readings shows it. The other
places' do: each hour's mean vapour pressures are compared. Sensors differ by some points for good, so what counts is
how far a place has moved from where it usually stands against the others, not where it stands.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from statistics import median

import numpy as np

from drymon.drying import air
from drymon.drying.quantities import Quantity
from drymon.shop.sensors import KEPT_MIN, Track, minute_of

HOUR_MIN = 60
FEWEST_MIN = 3
"""Minutes of an hour that must be known for its mean to count."""

LATELY_H, USUALLY_H, FEWEST_H = 4, 168, 24
"""Hours that are compared with the hours of the week before, and how many of those there must be."""

APART_PCT, TOGETHER_PCT = 3.0, 1.5
"""Points of relative humidity by which a place must have moved towards dry to be doubted, and to be believed again.
Rooms whose racks differ in warmth and draught stay below two (simulated; assumed).
"""


class CrossCheck:
    """Looks back from every hour; asked for the same hours in any order it says the same."""

    def __init__(self, tracks: Mapping[tuple[str, Quantity], Sequence[Track]]) -> None:
        self._tracks = tracks
        self._gaps: dict[int, dict[str, float]] = {}
        self._moved: dict[int, dict[str, float]] = {}
        self._anew: tuple[int, ...] = ()
        self._next = 0

    def begin_anew(self, moved: Iterable[datetime]) -> None:
        """When a calibration moved a sensor: what was usual before says nothing of the readings after it."""
        hours = tuple(sorted(minute_of(moment) // HOUR_MIN for moment in moved))
        if hours != self._anew:
            self._anew, self._next = hours, 0

    def moved(self, place: str, minute: int) -> float:
        """Points of relative humidity that the place reads drier in this minute than it should by the other places'; 0
        where it is believed.
        """
        hour = minute // HOUR_MIN
        if self._next <= hour:
            self._look(hour)
        return self._moved.get(hour, {}).get(place, 0.0)

    def apart_since(self, place: str, minute: int) -> int | None:
        """The minute from which on the place has been doubted without a break up to this one, None where it is
        believed.
        """
        if not self.moved(place, minute):
            return None
        hour = minute // HOUR_MIN
        while self._doubted(place, hour - 1):
            hour -= 1
        return hour * HOUR_MIN

    def forget(self, minute: int) -> None:
        """A reading of this minute has come: what was found from its hour is found anew."""
        hour = minute // HOUR_MIN
        if hour + 1 < self._next:
            self._next = hour + 1

    def _look(self, hour: int) -> None:
        """Go on to this hour from where the last look ended."""
        begin = self._next or self._first_hour()
        for each in range(max(begin, hour - KEPT_MIN // HOUR_MIN), hour + 1):
            self._gaps[each - 1] = self._compare(each - 1)
            self._moved[each] = self._moves(each)
        self._next = hour + 1
        if len(self._moved) > 2 * KEPT_MIN // HOUR_MIN:
            kept = range(hour - KEPT_MIN // HOUR_MIN, hour + 1)
            self._gaps = {each: self._gaps[each] for each in kept if each in self._gaps}
            self._moved = {each: self._moved[each] for each in kept if each in self._moved}

    def _first_hour(self) -> int:
        firsts = [track.minutes.first for tracks in self._tracks.values() for track in tracks if track.minutes.first]
        return min(firsts, default=0) // HOUR_MIN

    def _compare(self, hour: int) -> dict[str, float]:
        """By how many points each place read drier than the middle of the others in this hour, at its own warmth."""
        places = sorted(place for place, quantity in self._tracks if quantity is Quantity.HUMIDITY)
        heard = {place: found for place in places if (found := self._vapour(place, hour)) is not None}
        gaps = {}
        for place, (vapour, saturation) in heard.items():
            others = [heard[other][0] for other in heard if other != place]
            if others:
                gaps[place] = 100.0 * (median(others) - vapour) / saturation
        return gaps

    def _vapour(self, place: str, hour: int) -> tuple[float, float] | None:
        """Mean pressure of the vapour, and that which would saturate the air (Pa)."""
        temperature, humidity = (self._mean(place, q, hour) for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY))
        if temperature is None or humidity is None:
            return None
        saturation = float(air.saturation_pressure(temperature))
        return humidity / 100.0 * saturation, saturation

    def _mean(self, place: str, quantity: Quantity, hour: int) -> float | None:
        begin = hour * HOUR_MIN
        means = []
        for track in self._tracks.get((place, quantity), ()):
            values = track.minutes.window(begin, begin + HOUR_MIN)
            known = values[~np.isnan(values)]
            if len(known) >= FEWEST_MIN:
                means.append(float(known.mean()))
        return median(means) if means else None

    def _moves(self, hour: int) -> dict[str, float]:
        """Who is apart in this hour, by how much; judged by the hours before it."""
        before = self._moved.get(hour - 1, {})
        first = max([hour - USUALLY_H, *(anew + 1 for anew in self._anew if anew < hour)])
        found = {}
        for place in self._gaps[hour - 1]:
            lately = self._gaps_of(place, range(hour - LATELY_H, hour), believed=False)
            usually = self._gaps_of(place, range(first, hour - LATELY_H), believed=True)
            if len(lately) < LATELY_H or len(usually) < FEWEST_H:
                continue
            moved = median(lately) - median(usually)
            if moved > (TOGETHER_PCT if place in before else APART_PCT):
                found[place] = moved
        return found

    def _gaps_of(self, place: str, hours: range, believed: bool) -> list[float]:
        """The place's gaps in these hours; `believed`: without those hours in which it was doubted."""
        gaps = (self._gaps.get(hour, {}).get(place) for hour in hours if not (believed and self._doubted(place, hour)))
        return [gap for gap in gaps if gap is not None]

    def _doubted(self, place: str, hour: int) -> bool:
        return place in self._moved.get(hour, {})
