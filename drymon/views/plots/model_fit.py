"""A fitted coat model against its runs: forecast and weighings, errors, coverage. One figure each."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from drymon.learning.forecast_scores import Judgement
from drymon.learning.run_checks import RunCheck, coverage_curve
from drymon.views.plots.style import BLUE, FAINT, INK, PAPER, QUIET, SKY, VERMILLION, drawing

WIDTH = 11.0
COLUMNS, MOST_RUNS = 4, 16
SHELTER_MARKS = {"open": "o", "pocketed": "s", "deep": "^"}


def _sheet(height: float, title: str, under: str) -> Figure:
    figure = Figure(figsize=(WIDTH, height), facecolor=PAPER)
    figure.text(0.06, 1 - 0.36 / height, title, fontsize=14, fontweight="bold", va="baseline")
    figure.text(0.06, 1 - 0.6 / height, under, fontsize=9, color=QUIET, va="baseline")
    return figure


def draw_runs(coat: str, checks: Sequence[RunCheck]) -> Figure:
    """Small panels, one a run.

    Share of water left as weighed, the run's own curve, and the forecast's 90 % band.
    """
    shown = list(checks)[-MOST_RUNS:]
    rows = max(int(np.ceil(len(shown) / COLUMNS)), 1)
    height = 1.35 + 2.0 * rows
    with drawing():
        more = f", the latest {len(shown)} of {len(checks)}" if len(shown) < len(checks) else ""
        figure = _sheet(
            height,
            f"{coat}: every weighed run{more}",
            "points: weighed · line: the run's own curve · band: where 90 % are expected from the air alone · "
            "dashed: 5 % left",
        )
        grid = figure.subplots(rows, COLUMNS, squeeze=False)
        figure.subplots_adjust(0.06, 0.5 / height, 0.98, 1 - 0.95 / height, wspace=0.22, hspace=0.5)
        for place, axes in enumerate(grid.flat):
            if place >= len(shown):
                axes.set_visible(False)
                continue
            _draw_run(axes, shown[place])
            if place % COLUMNS == 0:
                axes.set_ylabel("water left, %")
            if place >= len(shown) - COLUMNS:
                axes.set_xlabel("hours after the dip")
        return figure


def _draw_run(axes: Axes, check: RunCheck) -> None:
    run = check.run
    axes.fill_between(check.hours, 100 * check.low, 100 * check.high, color=SKY, alpha=0.35, linewidth=0)
    axes.plot(check.hours, 100 * check.curve, color=BLUE, linewidth=1.4)
    axes.plot(check.hours, 100 * check.measured, SHELTER_MARKS.get(run.shelter, "o"), color=VERMILLION, markersize=3)
    axes.axhline(5, color=INK, linewidth=0.8, linestyle=(0, (5, 3)))
    measured = 100 * check.measured
    axes.set_ylim(min(-4.0, float(measured.min()) - 4), max(104.0, float(measured.max()) + 4))
    axes.set_xlim(left=0)
    axes.grid(axis="both")
    axes.set_title(f"{run.tree}, coat {run.number}, {run.shelter}", fontsize=8.5, loc="left", color=INK)


def draw_residuals(coat: str, checks: Sequence[RunCheck]) -> Figure:
    """Weighing less curve, in grams, over the share of water that is gone.

    A pattern would show a wrong curve.
    """
    with drawing():
        figure = _sheet(
            3.6, f"{coat}: what the curve leaves unexplained", "each point a weighing; zero is a perfect curve"
        )
        axes = figure.subplots()
        figure.subplots_adjust(0.08, 0.15, 0.97, 0.78)
        for check in checks:
            gone = 100 * (1 - check.curve)
            mark = SHELTER_MARKS.get(check.run.shelter, "o")
            axes.plot(gone, check.residual_g, mark, color=BLUE, markersize=3, alpha=0.6)
        axes.axhline(0, color=INK, linewidth=0.8)
        axes.set_xlabel("water gone, % of the tree's")
        axes.set_ylabel("weighed − curve, g")
        left, right = axes.get_xlim()
        axes.set_xlim(min(0.0, left), max(102.0, right))
        axes.grid(axis="both")
        return figure


def draw_truth(coat: str, left_out: Sequence[Judgement], revealed: Sequence[Judgement]) -> Figure:
    """Forecast against the hours by the runs' own weighings: for runs left out, and forecast from earlier ones only."""
    with drawing():
        figure = _sheet(
            4.6,
            f"{coat}: forecast against what came",
            "each point a run that the model had not seen; bars: its 90 % interval (a cross: what came lies outside); "
            "above the line: forecast late",
        )
        panels = figure.subplots(1, 2)
        figure.subplots_adjust(0.08, 0.12, 0.97, 0.78, wspace=0.2)
        for axes, found, title in zip(
            panels, (left_out, revealed), ("by models without this run", "by models of earlier runs only"), strict=True
        ):
            _draw_truth(axes, found, title)
        return figure


def _draw_truth(axes: Axes, found: Sequence[Judgement], title: str) -> None:
    axes.set_title(title, fontsize=10, loc="left", color=INK)
    if not found:
        axes.set_axis_off()
        axes.text(0.0, 0.9, "no run could be forecast like this yet", color=QUIET, fontsize=9, transform=axes.transAxes)
        return
    axes.set_xscale("log")
    axes.set_yscale("log")
    for one in found:
        color = BLUE if one.covered else VERMILLION
        axes.plot([one.true_h] * 2, [one.early_h, one.late_h], color=color, linewidth=1.0, alpha=0.6)
        axes.plot([one.true_h], [one.best_h], "o" if one.covered else "X", color=color, markersize=4)
    came = [one.true_h for one in found]
    said = [hours for one in found for hours in (one.early_h, one.late_h, one.true_h)]
    across, up = (0.8 * min(came), 1.25 * max(came)), (0.8 * min(said), 1.25 * max(said))
    axes.plot(across, across, color=INK, linewidth=0.9)
    axes.set_xlim(*across)
    axes.set_ylim(*up)
    axes.set_xticks(hour_ticks(*across), [f"{tick:g}" for tick in hour_ticks(*across)])
    axes.set_yticks(hour_ticks(*up), [f"{tick:g}" for tick in hour_ticks(*up)])
    axes.minorticks_off()
    axes.set_xlabel("by its own weighings, hours")
    axes.set_ylabel("forecast, hours")
    axes.grid(axis="both")


def hour_ticks(low: float, high: float) -> list[float]:
    """Hours to write beside a logarithmic axis: at least two, and few enough to be read. 0 < low < high."""
    doubled = [float(tick) for tick in 2.0 ** np.arange(-6, 10) if low <= tick <= high]
    if len(doubled) > 2:
        return doubled
    between = [
        float(tick) for tick in MaxNLocator(5, steps=[1, 2, 5, 10]).tick_values(low, high) if low <= tick <= high
    ]
    return between if len(between) > 1 else [float(f"{low:.3g}"), float(f"{high:.3g}")]


def draw_coverage(coat: str, left_out: Sequence[Judgement]) -> Figure:
    """Promised against kept: of intervals that promise so much, how many held what came of left-out runs.

    left_out: enough of them to say anything (`FEWEST_TO_SAY`); of two runs each is half of the truth.
    """
    with drawing():
        count = len(left_out)
        figure = _sheet(
            4.0,
            f"{coat}: does the interval keep its word?",
            f"{count} runs left out; on the line: yes; one run more or less moves it by {100 / count:.0f} points",
        )
        axes = figure.subplots()
        figure.subplots_adjust(0.08, 0.14, 0.55, 0.8)
        promised, kept = coverage_curve([one.score for one in left_out])
        axes.plot([0, 100], [0, 100], color=INK, linewidth=0.9)
        axes.fill_between([0, 100], [0, 100], [100, 100], color=FAINT, alpha=0.5, linewidth=0)
        axes.plot(100 * promised, 100 * kept, "o-", color=BLUE, markersize=4)
        axes.set_xlim(0, 100)
        axes.set_ylim(0, 102)
        axes.set_xlabel("promised, %")
        axes.set_ylabel("kept, %")
        axes.text(6, 90, "wider than need be", color=QUIET, fontsize=9)
        axes.text(58, 12, "promises too much", color=QUIET, fontsize=9)
        axes.grid(axis="both")
        return figure
