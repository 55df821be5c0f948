"""A coat model: what it expects in unchanging reference air, for each shelter, and weighed runs against it."""

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drymon.drying import coat, dips, ensemble
from drymon.drying.coat_model import CoatModel
from drymon.drying.possible import weighted_quantiles
from drymon.learning.run import Run, thinned
from drymon.readback.coat_basis import Basis, kind_words, runs_words
from drymon.shop.facts.events import SHELTERS
from drymon.shop.facts.setup import CoatType
from drymon.views.plots.marks import BESIDE, note
from drymon.views.plots.style import BLUE, INK, LEFT, QUIET, SKY, VERMILLION, drawing, panels, paper

Array = npt.NDArray[np.float64]
Curves = tuple[Array, Array, Array, Array, Array]

NUMBER = 3
"""The coat's number where no recipe says one: soaking into the coats below is well under way."""
FIRST_H, LAST_H, STEPS = 0.25, 336.0, 160
TICKS_H = (0.5, 1, 2, 4, 8, 12, 24, 48, 96, 168, 336)
MARKERS = "osD^vP*X<>"
POINT_WORDS = (
    "points: weighings, each at the hours that this air would have needed to do what the run's own air did; a scale "
    "does not know a shell's dry mass,\nso every run is scaled to end on the curve of the whole tree: its shape is "
    "what can be compared"
)
AIR_WORDS = "22 °C, 50 % RH, about 0.6 m/s"


@dataclass(frozen=True)
class RunPoints:
    """A weighed run on the model's axis: hours of reference air that would have done the same, share gone (0 to 1)."""

    name: str
    shelter: str
    hours: Sequence[float] | Array
    gone: Sequence[float] | Array


def points_of(run: Run, model: CoatModel, number: int = NUMBER) -> RunPoints | None:
    """A run's weighings on the model's axis; None where it has no air or lost no water.

    Hours count by what the air could take from a wet face, over what the reference air could. A scale does not know a
    shell's dry mass, so each run is scaled to end on the model's curve for the whole tree: its shape is what counts.
    """
    run = thinned(run)
    if run.air is None or len(run.times_s) < 2 or run.masses_kg[0] <= run.masses_kg[-1]:
        return None
    reference = float(ensemble.REFERENCE_AIR.deficit) / float(ensemble.REFERENCE_AIR.resistance)
    pace = run.air.deficit / run.air.resistance / reference
    edges_h = np.concatenate([[0.0], np.cumsum(pace * np.diff(run.air.edges_s))]) / 3600.0
    hours = np.interp(run.times_s, run.air.edges_s, edges_h)
    grid, _, _, _, whole = expected(model, run.shelter, number)
    lost = (run.masses_kg[0] - run.masses_kg) / (run.masses_kg[0] - run.masses_kg[-1])
    return RunPoints(run.id, run.shelter, hours, lost * float(np.interp(hours[-1], grid, whole)))


def draw_model(
    model: CoatModel,
    coat_type: CoatType | None = None,
    runs: Sequence[RunPoints] = (),
    number: int = NUMBER,
    source: str = "",
) -> Figure:
    """One panel a shelter: share of removable water gone from the slowest part over time, with 5 and 95 % bounds.

    number: the coat's place on the shell. source: the model that this one was taken from, where the coat has none of
    its own.
    """
    with drawing():
        basis = Basis(model, source or model.name)
        told = kind_words(basis)
        also = textwrap.shorten(("" if basis.is_own else f"{source}: ") + model.origin, 150, placeholder=" …")
        figure = paper(f"Coat model {model.name}", f"{told} · as coat {number} in air of {AIR_WORDS}", 7.7, also)
        needed = coat_type.dry_at if coat_type else 0.95
        for shelter, axes in zip(SHELTERS, panels(figure, [1, 1, 1], gap=0.2, foot=0.92, head=1.12), strict=True):
            own = [run for run in runs if run.shelter == shelter]
            _draw_shelter(axes, expected(model, shelter, number), shelter, needed, own)
            axes.set_xticklabels([f"{hour:g}" for hour in TICKS_H] if shelter == SHELTERS[-1] else [])
            if shelter == SHELTERS[-1]:
                axes.set_xlabel("hours after the dip, in this air")
        if runs:
            figure.text(LEFT, 0.16 / 7.7, POINT_WORDS, fontsize=7.5, color=QUIET, va="bottom")
        return figure


def _draw_shelter(axes: Axes, curves: Curves, shelter: str, needed: float, runs: Sequence[RunPoints]) -> None:
    hours, low, best, high, whole = curves
    axes.set_xscale("log")
    axes.fill_between(hours, 100 * low, 100 * high, color=SKY, alpha=0.35, linewidth=0)
    axes.plot(hours, 100 * best, color=BLUE, linewidth=1.8)
    if shelter != "open":
        axes.plot(hours, 100 * whole, color=BLUE, linewidth=1.0, linestyle=(0, (2, 2)))
        at = int(np.searchsorted(whole, 0.5))
        note(axes, "whole tree", (float(hours[at]), 100 * float(whole[at])), (-6, 4), ha="right", color=BLUE)
    axes.axhline(100 * needed, color=INK, linewidth=1.0, linestyle=(0, (5, 3)))
    for marker, run in zip(MARKERS * (1 + len(runs) // len(MARKERS)), runs, strict=False):
        axes.plot(run.hours, 100 * np.asarray(run.gone), marker, markersize=3.5, color=VERMILLION, alpha=0.75)
    _dress(axes, runs)
    note(axes, shelter, (0, 96), (8, -6), counted=BESIDE, size=10, bold=True, va="top", ground=True)
    note(axes, f"{100 * needed:.0f} % needed", (1, 100 * needed), (7, 0), counted=BESIDE, color=INK)
    note(axes, _crossings(hours, low, best, needed), (1, 56), (7, 0), counted=BESIDE, color=BLUE)
    weighed = runs_words(len(runs)) if runs else "no weighed run"
    note(axes, weighed, (1, 14), (7, 0), counted=BESIDE, color=QUIET)


def _dress(axes: Axes, runs: Sequence[RunPoints]) -> None:
    axes.set_xlim(FIRST_H, LAST_H)
    axes.set_xticks(TICKS_H)
    axes.minorticks_off()
    gone = [100 * float(share) for run in runs for share in run.gone]
    axes.set_ylim(min([-3.0, *(share - 3 for share in gone)]), max([104.0, *(share + 3 for share in gone)]))
    axes.set_yticks([0, 25, 50, 75, 100])
    axes.set_ylabel("water gone, %")
    axes.grid(axis="both")


def expected(model: CoatModel, shelter: str, number: int = NUMBER) -> Curves:
    """Hours, the 5 %, best and 95 % share gone from the slowest part, and the best of the whole tree; reference air."""
    coats = dips.possible_coats(model, number, shelter)
    hours = np.concatenate([[0.0], np.geomspace(FIRST_H, LAST_H, STEPS)])
    left = np.ones_like(coats.water)
    weights = np.full(left.shape[-1], 1.0 / left.shape[-1])
    rows = []
    for seconds in 3600.0 * np.diff(hours):
        left = coat.step(coats, left, ensemble.REFERENCE_AIR, float(seconds))
        slowest = weighted_quantiles(left.max(axis=0), weights, (0.95, 0.5, 0.05))
        whole = weighted_quantiles(coats.of_tree(left), weights, (0.5,))
        rows.append(1.0 - np.concatenate([slowest, whole]))
    low, best, high, all_faces = np.array(rows).T
    return hours[1:], low, best, high, all_faces


def _crossings(hours: Array, low: Array, best: Array, needed: float) -> str:
    """When half, and when 19 of 20 of such trees have lost what is needed."""
    half, most = (_when(hours, curve, needed) for curve in (best, low))
    return f"half of such trees\nare dry {half},\n19 of 20 {most}"


def _when(hours: Array, curve: Array, needed: float) -> str:
    dry = np.flatnonzero(curve >= needed)
    if not len(dry):
        return f"not in {LAST_H / 24:.0f} days"
    by = float(hours[dry[0]])
    return f"by {by:.1f} h" if by < 10 else f"by {by:.0f} h"
