"""What was measured here with a scale alone: how fast a rack dries a wet cloth, how much water a coat brings.

Such a measurement speaks of the place or the coat, not of a moment: while it stands, it counts for all that hangs, as
room.toml does; taken back, it never was.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import Protocol

from drymon.drying.coat_model import CoatModel, Spread
from drymon.drying.conditioned import Evidence, beside, replaced
from drymon.drying.draws import LEAST_SPEED
from drymon.drying.surface import SPEED_RANGE_M_PER_S, transfer_coefficients
from drymon.shop.facts import corrected

CLOTH, PICKUP = "wet-cloth", "pickup"
"""Kinds of calibration on record."""

FANS_OFF = "fans-off"
"""Ends the name of a cloth that hung while the fans were off."""

LIKE_THE_CLOTH = Spread(1.0, 0.2)
"""What a tree's faces take over what the cloth at their rack took: as much, but trees are no cloths, and one hour of a
place is not another (assumed).
"""


class StoredMeasurement(corrected.StoredCalibration, Protocol):
    """A stored calibration with its kind."""

    @property
    def kind(self) -> str: ...


@dataclass(frozen=True, slots=True)
class ByCloth:
    """A rack by its wet cloth: low and high m/s that it dries like, 5 and 95 %; when that was kept."""

    low: float
    high: float
    kept: datetime


@dataclass(frozen=True, slots=True)
class InItsPlace:
    """A range of air speeds that was assumed, and the one that a wet cloth told in its place; m/s, (low, high) each."""

    assumed: tuple[float, float]
    by_cloth: tuple[float, float]


def beside_the_cloth(model: CoatModel, place: InItsPlace) -> CoatModel:
    """A starting model for a rack that a wet cloth has measured.

    A model's `transfer` is told beside the textbook at the air's speed, and has the room's turbulence in it. So has
    what the cloth lost. Both together, transfer and what the assumed range leaves open, are what a face takes. That is
    told beside the cloth instead, and known by it but for what is a tree's own.
    """
    (before, open_), (now, _) = (_transfer(speeds) for speeds in (place.assumed, place.by_cloth))
    return replaced(beside(model, "transfer", before / now, open_), "transfer", LIKE_THE_CLOTH)


def _transfer(speeds: tuple[float, float]) -> tuple[float, float]:
    """Mass transfer in the middle of a range that speeds are drawn from evenly on the log scale, m/s, and the standard
    deviation of its logarithm.
    """
    logs = [math.log(float(transfer_coefficients(max(speed, LEAST_SPEED))[1])) for speed in speeds]
    middle = math.sqrt(max(speeds[0], LEAST_SPEED) * max(speeds[1], LEAST_SPEED))
    return float(transfer_coefficients(middle)[1]), (logs[1] - logs[0]) / math.sqrt(12.0)


@dataclass(frozen=True, slots=True)
class Measured:
    """All that stands. cloths: by rack, then by whether the fans ran (or nobody said). waters: kg/m2, by coat."""

    cloths: Mapping[str, Mapping[bool, ByCloth]] = field(default_factory=lambda: MappingProxyType({}))
    waters: Mapping[str, Evidence] = field(default_factory=lambda: MappingProxyType({}))

    @classmethod
    def of(cls, calibrations: Iterable[StoredMeasurement]) -> Measured:
        """What stored calibrations that stand, oldest first, say. The newest cloth of a rack counts, of a coat's pieces
        all: a slurry scatters from dip to dip. What cannot be read counts for nothing.
        """
        cloths: dict[str, dict[bool, ByCloth]] = {}
        pieces: dict[str, list[tuple[float, float, float]]] = {}
        for kept in calibrations:
            subject, _, rest = kept.sensor.partition("/")
            if kept.kind == CLOTH and (found := _cloth(kept)) is not None:
                cloths.setdefault(subject, {})[not rest.endswith(FANS_OFF)] = found
            elif kept.kind == PICKUP and (piece := _numbers(kept, "water", "own_sd", "shared_sd")) is not None:
                pieces.setdefault(subject, []).append((piece[0], piece[1], piece[2]))
        return cls(cloths, {coat: pooled(own) for coat, own in pieces.items()})

    def racks_apart(self, other: Measured) -> set[str]:
        """Racks of which the two say different things."""
        return {rack for rack in {*self.cloths, *other.cloths} if self.cloths.get(rack) != other.cloths.get(rack)}

    def coats_apart(self, other: Measured) -> set[str]:
        """Coats of which the two say different things."""
        return {coat for coat in {*self.waters, *other.waters} if self.waters.get(coat) != other.waters.get(coat)}


def cloth_name(rack: str, fans_off: bool) -> str:
    """The name under which a rack's cloth is kept."""
    return f"{rack}/{CLOTH}/{FANS_OFF}" if fans_off else f"{rack}/{CLOTH}"


def pickup_name(coat: str) -> str:
    """The name under which a coat's pick-up is kept."""
    return f"{coat}/{PICKUP}"


def pooled(pieces: Sequence[tuple[float, float, float]]) -> Evidence:
    """Pieces of one coat, (water, own_sd, shared_sd) each, as one: what they share does not average out."""
    weights = [own**-2 for _, own, _ in pieces]
    total = sum(weights)
    mean = sum(weight * math.log(water) for weight, (water, _, _) in zip(weights, pieces, strict=True)) / total
    shared = sum(weight * common**2 for weight, (_, _, common) in zip(weights, pieces, strict=True)) / total
    return Evidence(math.exp(mean), math.sqrt(1.0 / total + shared))


def _cloth(kept: StoredMeasurement) -> ByCloth | None:
    speeds = _numbers(kept, "low", "high")
    if speeds is None or not speeds[0] <= speeds[1] <= SPEED_RANGE_M_PER_S[1]:
        return None
    return ByCloth(speeds[0], speeds[1], kept.time)


def _numbers(kept: StoredMeasurement, *names: str) -> list[float] | None:
    """Numbers above 0 by name; None where one is missing."""
    found = [kept.document.get(name) for name in names]
    numbers = [float(each) for each in found if isinstance(each, int | float) and 0.0 < each < math.inf]
    return numbers if len(numbers) == len(names) and kept.document.get("good") is not False else None
