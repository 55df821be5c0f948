"""A weighed drying: one tree between a dip and the next, its weighings and the air that it had.

The sample of all learning.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RunAir:
    """Air of a run, in pieces that follow each other without a break.

    edges_s (pieces + 1,): s since the dip, from 0. For each piece (pieces,): deficit, saturation [kg/m3], excess
    [monolayers], resistance [s/m] as in `ensemble.AirStep`; temperature_c, humidity_pct, speed (m/s) as measured or
    assumed; known: fresh and trusted evidence.
    """

    edges_s: Array
    deficit: Array
    saturation: Array
    excess: Array
    resistance: Array
    temperature_c: Array
    humidity_pct: Array
    speed: Array
    known: npt.NDArray[np.bool_]

    @property
    def known_share(self) -> float:
        """Share of the time with fresh, trusted evidence."""
        return float(np.average(self.known, weights=np.diff(self.edges_s)))

    def over(self, edges_s: Array) -> RunAir:
        """The same air averaged over other pieces.

        Rates are averaged, not speeds, so that no gust is lost.
        """
        wet = self._mean(self.deficit / self.resistance, edges_s)
        deficit = self._mean(self.deficit, edges_s)
        return RunAir(
            edges_s=edges_s,
            deficit=deficit,
            saturation=self._mean(self.saturation, edges_s),
            excess=self._mean(self.excess, edges_s),
            resistance=np.maximum(deficit, 1e-9) / np.maximum(wet, 1e-12),
            temperature_c=self._mean(self.temperature_c, edges_s),
            humidity_pct=self._mean(self.humidity_pct, edges_s),
            speed=self._mean(self.speed, edges_s),
            known=self._mean(self.known.astype(np.float64), edges_s) > 0.5,
        )

    def _mean(self, values: Array, edges_s: Array) -> Array:
        total = np.concatenate([[0.0], np.cumsum(values * np.diff(self.edges_s))])
        widths = np.maximum(np.diff(edges_s), 1e-9)
        return np.asarray(np.diff(np.interp(edges_s, self.edges_s, total)) / widths)


@dataclass(frozen=True, slots=True)
class Touch:
    """A finger on a drying tree: s since the dip, in a pocket or on a face, dry or wet."""

    time_s: float
    pocket: bool
    dry: bool


@dataclass(frozen=True, slots=True)
class Run:
    """One drying that was weighed, or at least felt.

    number: of the coat, 1 for the first. shelter: "open", "pocketed" or "deep". start_s: the dip, s since 1970 (UTC).
    times_s (weighings,): s since the dip, rising; masses_kg, sds_kg: the weighings and their standard deviations.
    on_cell: weighed by a load cell (its zero drifts), else on a bench scale. problem: why it is not used, "" if it is.
    left_out: a person's reason to leave it out, "" if nobody did. notes: doubts that do not forbid its use.
    held_below: what the coats below held at the dip in equilibrium with the air of the hours before, monolayers of the
    sorption isotherm over those at the reference humidity (`sorption.excess`). touches: what was felt meanwhile.
    thick: its slurry as `thickness.of_cup` tells it, 0 where no cup does.
    """

    id: str
    tree: str
    coat: str
    number: int
    shelter: str
    rack: str
    start_s: float
    times_s: Array
    masses_kg: Array
    sds_kg: Array
    air: RunAir | None
    on_cell: bool = False
    problem: str = ""
    left_out: str = ""
    notes: tuple[str, ...] = ()
    facts: Mapping[str, float] = field(default_factory=dict)
    held_below: float = 0.0
    touches: tuple[Touch, ...] = ()
    thick: float = 0.0

    @property
    def felt(self) -> bool:
        """What was felt may teach, whether or not it was weighed."""
        return bool(self.touches) and self.air is not None and not self.left_out

    @property
    def used(self) -> bool:
        """It may teach."""
        return not self.problem and not self.left_out

    @property
    def hours(self) -> float:
        """Hours from the dip to the last weighing."""
        return float(self.times_s[-1]) / 3600.0 if len(self.times_s) else 0.0


MOST_WEIGHINGS = 48
"""More weighings of one run than this are averaged: they share their errors and would only cost time."""


def thinned(run: Run, most: int = MOST_WEIGHINGS) -> Run:
    """The run with at most `most` weighings.

    Means over stretches of time that grow with the time since the dip.
    """
    if len(run.times_s) <= most:
        return run
    growing = np.sqrt(run.times_s - run.times_s[0] + 1.0)
    bins = np.minimum((growing / growing[-1] * most).astype(int), most - 1)
    count = np.bincount(bins, minlength=most)
    there = count > 0
    count = np.maximum(count, 1)

    def mean(values: Array) -> Array:
        return (np.bincount(bins, values, minlength=most) / count)[there]

    # Readings close together share part of their error: averaging gains less than their number promises.
    sds = mean(run.sds_kg) / np.sqrt(1.0 + 0.5 * (count[there] - 1.0))
    return replace(run, times_s=mean(run.times_s), masses_kg=mean(run.masses_kg), sds_kg=sds)
