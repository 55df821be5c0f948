"""What scales have seen of one coat of one tree, and whether it contradicts the air."""

from dataclasses import dataclass, field, replace

from drymon.drying.ensemble import Array
from drymon.drying.weight_evidence import AreaPrior

FEWEST = 3
"""Weighings before a scale says anything: dry mass and area are unknown."""

ANY_AREA = AreaPrior()
"""Of a tree that no scale has told about."""

WITNESS, WITNESS_AREA = "witness", AreaPrior(0.05, 0.9)
"""A piece whose name begins so is a tile or a bar: from 100 square centimetres to 25 by 40 on both sides (assumed)."""


def area_expected(name: str) -> AreaPrior:
    """Of a tree or a witness of this name, before any scale has told about it."""
    return WITNESS_AREA if name.startswith(WITNESS) else ANY_AREA


DISAGREES_SQUARES = 6.0
"""Mean squared error per weighing, in units of its spread, of the best member beyond which weight and air disagree."""


PLAINLY, IN_A_ROW, ANYHOW_IN_A_ROW = 1.5, 2, 5
"""Weighings in a row that must contradict the air before a tree is held for it: so few beyond so many times that error,
so many in any case. A curve that is a little wrong in a fresh coat's first hour is none of the tree's fault (assumed).
"""


@dataclass(frozen=True, slots=True)
class Series:
    """One scale's weighings of a coat: s since 1970, kg, kg, and each member's water [kg/m2] at the time."""

    times: tuple[float, ...] = ()
    masses: tuple[float, ...] = ()
    sds: tuple[float, ...] = ()
    water: tuple[Array, ...] = ()

    def first(self, count: int) -> "Series":
        """The oldest `count` of them."""
        return Series(self.times[:count], self.masses[:count], self.sds[:count], self.water[:count])

    def without(self, place: int) -> "Series":
        """All but one of them."""
        past = place + 1
        return Series(
            self.times[:place] + self.times[past:],
            self.masses[:place] + self.masses[past:],
            self.sds[:place] + self.sds[past:],
            self.water[:place] + self.water[past:],
        )

    @property
    def tells(self) -> bool:
        """Enough weighings to say anything: dry mass and area are unknown."""
        return len(self.times) >= FEWEST


@dataclass(frozen=True, slots=True)
class Weighings:
    """What scales have seen of one coat, and what they say.

    cell, bench: each scale with its own zero. gained_kg: what the cell saw the dip put on, 0 where that tells nothing.
    stuck: the cell's digits stood still while water should have left. prior: the members' weights without a scale.
    area: what earlier coats have told of the tree's wet area; area_m2, learnt: the same after this coat. disagrees:
    mean squared error of the best member where none goes with the weight, at how many weighings in_a_row, and whether
    it is the load cell's (cell_disagrees). met: mean water [kg/m2] that the first weighing on an earlier cell met.
    """

    cell: Series = field(default_factory=Series)
    bench: Series = field(default_factory=Series)
    prior: Array | None = None
    area_m2: float | None = None
    gained_kg: float | None = None
    stuck: bool = False
    disagrees: float = 0.0
    in_a_row: int = 0
    cell_disagrees: bool = False
    area: AreaPrior = ANY_AREA
    learnt: AreaPrior | None = None
    met: float = 0.0

    def elsewhere(self, weights: Array) -> "Weighings":
        """On another cell, with another zero: what is known so far stays, and weighing begins anew."""
        if not self.cell.times:
            return self
        met = max(self.met, float(self.cell.water[0].mean()))
        kept = Weighings(prior=weights, area=self.area, area_m2=self.area_m2, learnt=self.learnt)
        return replace(kept, gained_kg=self.gained_kg or 0.0, met=met)

    @property
    def contradict(self) -> bool:
        """Weight and air plainly disagree, or have for some weighings: a reason to hold the tree."""
        plainly = self.disagrees >= PLAINLY * DISAGREES_SQUARES
        return self.in_a_row >= (IN_A_ROW if plainly else ANYHOW_IN_A_ROW)

    @property
    def tell(self) -> bool:
        """A scale has a say in the members' weights."""
        return self.cell.tells or self.bench.tells
