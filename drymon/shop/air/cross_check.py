"""Whether a humidity sensor still goes with the others: a room has one vapour pressure, near enough.

A hygrometer that drifts towards dry hurries every tree of its rack, and nothing in its own readings shows it. The other
sensors' do: each hour's mean vapour pressures are compared. Sensors differ by some points for good, so what counts is
how far one has moved from where it usually stands against the others, not where it stands. A drift of less than about a
point a day is not found: what is usual follows it. Only where one stands so far from the others that no draught or
warmth explains it does that count, from the first hours on.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from statistics import median, median_low
from typing import NamedTuple

import numpy as np

from drymon.drying import air
from drymon.drying.quantities import Quantity
from drymon.shop.air.sensors import KEPT_MIN, Track, minute_of
from drymon.shop.facts.sensor_state import SensorState

HOUR_MIN = 60
KEPT_H = KEPT_MIN // HOUR_MIN

LATELY_H, FEWEST_LATELY = 4, 3
USUALLY_H, FEWEST_USUALLY = 168, 24
"""Hours that are compared with the hours of the week before, and of how many of them there must be readings."""

DRIFTED_PCT, TOGETHER_PCT = 3.0, 1.5
"""Points of relative humidity by which a sensor must have moved towards dry to be doubted, and to be believed again.
Rooms whose racks differ in warmth and draught stay below two (simulated; assumed).
"""


APART_PCT, NEARER_PCT, APART_H = 20.0, 15.0, 2
"""Points drier than the others' vapour pressure allows, for so many hours in a row, that are believed of no place
before somebody has checked it, and to be believed again (common practice, no source).
"""

DRIFTED, DISAGREES = SensorState.DRIFTED, SensorState.DISAGREES
"""States of such a sensor, and codes of the doubt on its readings: they stay in the record as they were measured."""


class Hygrometer(NamedTuple):
    """A humidity sensor by its place and name."""

    place: str
    sensor: str


class Dry(NamedTuple):
    """Why a sensor's word is too dry (`code`), and by how many points."""

    code: SensorState
    points: float


class CrossCheck:
    """Goes on from hour to hour (`settle`) and answers for those behind; each is judged by the hours before it."""

    def __init__(self, tracks: Mapping[tuple[str, Quantity], Sequence[Track]]) -> None:
        self._tracks = tracks
        self._gaps: dict[int, dict[Hygrometer, float]] = {}
        self._moved: dict[int, dict[Hygrometer, Dry]] = {}
        self._calibrated: frozenset[tuple[int, str, bool]] = frozenset()
        self._next = 0

    def moved(self, place: str, sensor: str, minute: int) -> float:
        """Points of relative humidity that the sensor reads drier in this minute than it should by the others; 0 where
        it is believed.
        """
        found = self.doubt(place, sensor, minute)
        return found.points if found else 0.0

    def doubt(self, place: str, sensor: str, minute: int) -> Dry | None:
        """What was found of a sensor in this minute, None where it is believed. The hours that show that one disagrees
        are doubted with those after them: coats may be dry by then.
        """
        one, hour = Hygrometer(place, sensor), minute // HOUR_MIN
        found = self._moved.get(hour, {}).get(one)
        if found is None and any(self._parts(one, later) for later in range(hour + 1, hour + 1 + APART_H)):
            return Dry(DISAGREES, self._gaps.get(hour, {}).get(one, 0.0))
        return found

    def _parts(self, one: Hygrometer, hour: int) -> bool:
        """Whether a sensor is found to disagree from this hour on."""
        found = self._moved.get(hour, {}).get(one)
        return found is not None and found.code == DISAGREES and not self._before(one, hour, DISAGREES)

    def doubted_since(self, place: str, sensor: str, minute: int) -> int | None:
        """The minute from which on the sensor has been doubted for one cause up to this one, None where it is
        believed.
        """
        found, hour = self.doubt(place, sensor, minute), minute // HOUR_MIN
        if found is None:
            return None
        while (before := self.doubt(place, sensor, (hour - 1) * HOUR_MIN)) and before.code == found.code:
            hour -= 1
        return hour * HOUR_MIN

    def forget(self, minute: int) -> None:
        """A reading of this minute has come: what was found from its hour is to be found anew."""
        self._next = min(self._next, minute // HOUR_MIN + 1)

    def begin_anew(self, calibrated: Iterable[tuple[str, datetime, bool]]) -> None:
        """Where and when sensors were calibrated, and whether that changed what they say: what was usual before tells
        nothing of the readings after it.
        """
        hours = frozenset((minute_of(moment) // HOUR_MIN, place, moved) for place, moment, moved in calibrated)
        if hours != self._calibrated:
            self._calibrated, self._next = hours, 0

    def settle(self, minute: int) -> int | None:
        """Judge every hour up to this minute's; returns the first minute of which something else had been found."""
        hour, changed = minute // HOUR_MIN, None
        if self._next > hour:
            return None
        for each in range(max(self._next or self._first_hour(), hour - KEPT_H), hour + 1):
            self._gaps[each - 1] = self._compare(each - 1)
            found = self._judge(each)
            if changed is None and (before := self._moved.get(each, {})) != found:
                parted = any(dry.code == DISAGREES for dry in (*before.values(), *found.values()))
                changed = (each - (APART_H if parted else 0)) * HOUR_MIN
            self._moved[each] = found
        self._next = hour + 1
        if len(self._moved) > 2 * KEPT_H:
            kept = range(hour - KEPT_H, hour + 1)
            self._gaps = {each: self._gaps[each] for each in kept if each in self._gaps}
            self._moved = {each: self._moved[each] for each in kept if each in self._moved}
        return changed

    def _first_hour(self) -> int:
        firsts = [track.minutes.first for tracks in self._tracks.values() for track in tracks if track.minutes.first]
        return min(firsts, default=0) // HOUR_MIN

    def _compare(self, hour: int) -> dict[Hygrometer, float]:
        """By how many points each sensor read drier in this hour than the middle of the others that are believed, at
        its own warmth. Of two others the drier: it takes both to put a third in doubt.
        """
        heard = self._vapours(hour)
        doubted = self._moved.get(hour, {})
        gaps = {}
        for one, (vapour, saturation) in heard.items():
            others = [heard[other][0] for other in heard if other != one and other not in doubted]
            if others:
                gaps[one] = 100.0 * (median_low(others) - vapour) / saturation
        return gaps

    def _vapours(self, hour: int) -> dict[Hygrometer, tuple[float, float]]:
        """Each sensor's mean pressure of the vapour, and that which would saturate its air (Pa)."""
        found = {}
        for (place, quantity), tracks in self._tracks.items():
            means = (_mean(track, hour) for track in self._tracks.get((place, Quantity.TEMPERATURE), ()))
            warm = [value for value in means if value is not None]
            if quantity is not Quantity.HUMIDITY or not warm:
                continue
            saturation = float(air.saturation_pressure(median(warm)))
            for track in tracks:
                humidity = _mean(track, hour)
                if humidity is not None:
                    found[Hygrometer(place, track.sensor)] = humidity / 100.0 * saturation, saturation
        return found

    def _judge(self, hour: int) -> dict[Hygrometer, Dry]:
        """Who is doubted in this hour by those before it, why, and how far. Where nothing can be said, a doubt
        stands.
        """
        before = self._moved.get(hour - 1, {})
        found = {one: self._drift(one, hour) or self._apart(one, hour) for one in {*before, *self._gaps[hour - 1]}}
        return {one: dry for one, dry in found.items() if dry is not None}

    def _drift(self, one: Hygrometer, hour: int) -> Dry | None:
        """Whether a sensor has drifted. The doubt ends on evidence, by a calibration of its own place, or after as long
        as the usual reaches back.
        """
        before = self._before(one, hour, DRIFTED)
        checked = any((when, place) == (hour - 1, one.place) for when, place, _ in self._calibrated)
        if checked or self._doubted_before(one, hour, DRIFTED) >= USUALLY_H:
            return None
        moved = self._move(one, hour)
        moved = before if moved is None else moved
        return Dry(DRIFTED, moved) if moved > (TOGETHER_PCT if before else DRIFTED_PCT) else None

    def _apart(self, one: Hygrometer, hour: int) -> Dry | None:
        """Whether a sensor stands where no place of the room can, and nobody has checked it there."""
        if any(place == one.place and when < hour for when, place, _ in self._calibrated):
            return None
        before = self._before(one, hour, DISAGREES)
        gaps = self._gaps_of(one, range(hour - APART_H, hour))
        if before:
            gap = gaps[-1] if gaps else before
            return Dry(DISAGREES, gap) if gap > NEARER_PCT else None
        return Dry(DISAGREES, gaps[-1]) if len(gaps) == APART_H and min(gaps) > APART_PCT else None

    def _before(self, one: Hygrometer, hour: int, code: str) -> float:
        """Points that a sensor was doubted by for this cause in the hour before, 0 where it was not."""
        found = self._moved.get(hour - 1, {}).get(one)
        return found.points if found and found.code == code else 0.0

    def _move(self, one: Hygrometer, hour: int) -> float | None:
        """How far a sensor has moved against the others, None where too little is known."""
        lately = self._gaps_of(one, range(hour - LATELY_H, hour))
        believed = (h for h in range(self._usual_from(one, hour), hour - LATELY_H) if one not in self._moved.get(h, {}))
        usually = self._gaps_of(one, believed)
        if len(lately) < FEWEST_LATELY or len(usually) < FEWEST_USUALLY:
            return None
        return median(lately) - median(usually)

    def _usual_from(self, one: Hygrometer, hour: int) -> int:
        """The hour from which on the gaps can be compared with those of now. A calibration of another place counts only
        where it changed a sensor that was believed: one that was doubted is back where it had been.
        """
        first = hour - USUALLY_H
        for when, place, moved in self._calibrated:
            others = moved and not self._doubts(place, when)
            if first <= when < hour and (place == one.place or others):
                first = when + 1
        return first

    def _doubts(self, place: str, hour: int) -> bool:
        return any(one.place == place for one in self._moved.get(hour, {}))

    def _gaps_of(self, one: Hygrometer, hours: Iterable[int]) -> list[float]:
        gaps = (self._gaps.get(hour, {}).get(one) for hour in hours)
        return [gap for gap in gaps if gap is not None]

    def _doubted_before(self, one: Hygrometer, hour: int, code: str) -> int:
        """For how many hours in a row before this one the sensor has been doubted for this cause."""
        hours = 0
        while self._before(one, hour - hours, code):
            hours += 1
        return hours


def _mean(track: Track, hour: int) -> float | None:
    values = track.minutes.window(hour * HOUR_MIN, (hour + 1) * HOUR_MIN)
    known = values[~np.isnan(values)]
    return float(known.mean()) if len(known) else None
