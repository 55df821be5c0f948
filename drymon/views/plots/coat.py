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
from drymon.shop.events import SHELTERS
from drymon.shop.setup import CoatType
from drymon.views.plots.marks import BESIDE, note
from drymon.views.plots.style import BLUE, INK, QUIET, SKY, VERMILLION, drawing, panels, paper

Array = npt.NDArray[np.float64]

NUMBER = 3
"""The coat's number in the picture: soaking into the coats below is well under way."""
FIRST_H, LAST_H, STEPS = 0.25, 336.0, 160
TICKS_H = (0.5, 1, 2, 4, 8, 12, 24, 48, 96, 168, 336)
MARKERS = "osD^vP*X<>"
RUN_WORDS = ", weighed runs by the hours of such air that could have taken as much; each scaled to end on the curve"
AIR_WORDS = "22 °C, 50 % RH, about 0.6 m/s"


@dataclass(frozen=True)
class RunPoints:
    """A weighed run on the model's axis: hours of reference air that would have done the same, share gone (0 to 1)."""

    name: str
    shelter: str
    hours: Sequence[float] | Array
    gone: Sequence[float] | Array


def points_of(run: Run, model: CoatModel) -> RunPoints | None:
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
    grid, _, _, _, whole = expected(model, run.shelter)
    lost = (run.masses_kg[0] - run.masses_kg) / (run.masses_kg[0] - run.masses_kg[-1])
    return RunPoints(run.id, run.shelter, hours, lost * float(np.interp(hours[-1], grid, whole)))


def draw_model(model: CoatModel, coat_type: CoatType | None = None, runs: Sequence[RunPoints] = ()) -> Figure:
    """One panel a shelter: share of removable water gone from the slowest part over time, with 5 and 95 % bounds."""
    with drawing():
        origin = "starting model, from published ranges" if model.is_starting_model else f"{model.runs} weighed runs"
        also = textwrap.shorten(model.origin, 150, placeholder=" …")
        figure = paper(f"Coat model {model.name}", f"{origin} · coat {NUMBER} in air of {AIR_WORDS}", 7.4, also)
        needed = coat_type.dry_at if coat_type else 0.95
        for shelter, axes in zip(SHELTERS, panels(figure, [1, 1, 1], gap=0.2, foot=0.62, head=1.12), strict=True):
            _draw_shelter(axes, model, shelter, needed, [run for run in runs if run.shelter == shelter])
            axes.set_xticklabels([f"{hour:g}" for hour in TICKS_H] if shelter == SHELTERS[-1] else [])
            if shelter == SHELTERS[-1]:
                axes.set_xlabel("hours after the dip" + (RUN_WORDS if runs else ""))
        return figure


def _draw_shelter(axes: Axes, model: CoatModel, shelter: str, needed: float, runs: Sequence[RunPoints]) -> None:
    hours, low, best, high, whole = expected(model, shelter)
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
    axes.set_xlim(FIRST_H, LAST_H)
    axes.set_xticks(TICKS_H)
    axes.minorticks_off()
    axes.set_ylim(0, 104)
    axes.set_yticks([0, 25, 50, 75, 100])
    axes.set_ylabel("water gone, %")
    axes.grid(axis="both")
    note(axes, shelter, (0, 96), (8, -6), counted=BESIDE, size=10, bold=True, va="top", ground=True)
    weighed = f"{len(runs)} weighed run{'s' if len(runs) > 1 else ''}" if runs else "no weighed run"
    note(axes, f"{100 * needed:.0f} % needed", (1, 100 * needed), (7, 0), counted=BESIDE, color=INK)
    note(axes, _crossings(hours, low, best, needed), (1, 60), (7, 0), counted=BESIDE, color=BLUE)
    note(axes, weighed, (1, 22), (7, 0), counted=BESIDE, color=QUIET)


def expected(model: CoatModel, shelter: str) -> tuple[Array, Array, Array, Array, Array]:
    """Hours, the 5 %, best and 95 % share gone from the slowest part, and the best of the whole tree; reference air."""
    coats = dips.possible_coats(model, NUMBER, shelter)
    hours = np.concatenate([[0.0], np.geomspace(FIRST_H, LAST_H, STEPS)])
    left = np.ones_like(coats.water)
    weights = np.full(left.shape[-1], 1.0 / left.shape[-1])
    rows = []
    for seconds in 3600.0 * np.diff(hours):
        left = coat.step(coats, left, ensemble.REFERENCE_AIR, float(seconds))
        slowest = weighted_quantiles(left.max(axis=0), weights, (0.95, 0.5, 0.05))
        whole = weighted_quantiles(coats.shares @ left, weights, (0.5,))
        rows.append(1.0 - np.concatenate([slowest, whole]))
    low, best, high, all_faces = np.array(rows).T
    return hours[1:], low, best, high, all_faces


def _crossings(hours: Array, low: Array, best: Array, needed: float) -> str:
    """When half, and when 95 % of such coats are dry."""
    words = []
    for curve, label in ((best, "half"), (low, "95 %")):
        dry = np.flatnonzero(curve >= needed)
        words.append(f"{label} dry by {hours[dry[0]]:.0f} h" if len(dry) else f"{label} not in 14 d")
    return "\n".join(words)
