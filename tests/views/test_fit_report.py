"""The report of a fit: what is said of few runs and of many, of open trees and of others; its pictures cut nothing."""

from collections.abc import Sequence

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg

from drymon.learning.forecast_scores import Judgement
from drymon.learning.run import Run
from drymon.learning.run_checks import RunCheck
from drymon.views.fit.fit_words import left_out_words
from drymon.views.plots.model_fit import draw_coverage, draw_residuals, draw_runs, draw_truth, hour_ticks


def run(name: str, shelter: str = "open") -> Run:
    times = np.array([0.0, 3600.0, 7200.0, 14400.0])
    return Run(name, "t", "backup", 3, shelter, "rack-a", 0.0, times, np.array([2.0, 1.9, 1.8, 1.8]), np.ones(4), None)


def judged(name: str, best: float, came: float = 10.0, early: float = 2.0, late: float = 30.0) -> Judgement:
    return Judgement(name, 0.05, came, early, best, late, 0.3)


def told(shelters: Sequence[str], bests: Sequence[float]) -> list[str]:
    runs = [run(f"r-{n}", shelter) for n, shelter in enumerate(shelters)]
    return left_out_words(runs, [judged(one.id, best) for one, best in zip(runs, bests, strict=True)])


@pytest.mark.parametrize(("bests", "count"), [([13.7], "1 run"), ([8.0, 10.6, 11.3], "3 runs")])
def test_of_few_runs_nothing_is_told_of_their_errors(bests: list[float], count: str) -> None:
    words = told(["open"] * len(bests), bests)
    assert words == [f"open trees: {count} only, too few to say how far off the next one will be"]


def test_from_five_runs_on_quantiles_are_told() -> None:
    """Errors of 1, 2, 3, 4 and 10 %: by hand the median is 3, and 9/10 of the way between 4 and 10 lie 0.6 x 6 above 4
    (the usual linear quantile)."""
    (words,) = told(["open"] * 5, [10.1, 9.8, 10.3, 9.6, 11.0])
    assert "of 5 runs, half were forecast within 3 % of the time by their own weighings" in words
    assert "nine in ten within 8 %" in words
    assert "the farthest off 4 % early and 10 % late" in words
    assert "100 % fell into the interval that promises 90 %" in words
    assert "true" not in words


def test_shelters_are_told_apart() -> None:
    words = told(["open"] * 5 + ["pocketed"] * 2, [10.1] * 5 + [14.0, 15.0])
    assert words[0].startswith("open trees: of 5 runs, half were forecast within 1 %")
    assert words[1:] == ["pocketed trees: 2 runs only, too few to say how far off the next one will be"]


def test_a_forecast_that_is_late_without_bound_is_told_as_it_is() -> None:
    """Five runs of 10 h, one of which was forecast for a fortnight: 336 h is 3260 % late."""
    (words,) = told(["open"] * 5, [10.1, 9.8, 10.3, 9.6, 336.0])
    assert "the farthest off 4 % early and 3260 % late" in words


def inside(axes: Axes) -> bool:
    """All that was drawn, but the line of equal hours, lies between the limits."""
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    points = np.concatenate([np.column_stack(line.get_data()) for line in axes.lines[:-1]])
    within = (left <= points[:, 0]) & (points[:, 0] <= right) & (low <= points[:, 1]) & (points[:, 1] <= high)
    return bool(within.all())


@pytest.mark.parametrize(
    "found",
    [[judged("a", 6.3, 4.6, 2.6, 24.7)], [judged("a", 6.0, 5.0, 4.0, 336.0), judged("b", 5.0, 5.1, 4.9, 5.3)],
     [judged("a", 30.0, 2.0, 20.0, 40.0), judged("b", 0.3, 2.0, 0.2, 0.4)]],
    ids=["one", "to the fortnight", "both outside"],
)  # fmt: skip
def test_no_bar_is_cut_off_and_every_axis_says_its_hours(found: list[Judgement]) -> None:
    figure = draw_truth("backup", found, found[:1])
    FigureCanvasAgg(figure).draw()
    for axes in figure.axes:
        assert inside(axes)
        for axis in (axes.xaxis, axes.yaxis):
            labels = [label.get_text() for label in axis.get_ticklabels() if label.get_text()]
            assert 2 <= len(labels) <= 12
        assert axes.get_xlabel() == "by its own weighings, hours"


def test_where_no_run_could_be_forecast_it_says_so() -> None:
    figure = draw_truth("backup", [judged("a", 6.3)], [])
    assert [text.get_text() for text in figure.axes[1].texts] == ["no run could be forecast like this yet"]


@pytest.mark.parametrize(("low", "high"), [(3.7, 5.8), (0.02, 400.0), (1.0, 1.01), (1.5, 17.0)])
def test_ticks_lie_between_their_limits(low: float, high: float) -> None:
    ticks = hour_ticks(low, high)
    assert 2 <= len(ticks) <= 16
    assert ticks == sorted(ticks)
    assert all(0.99 * low <= tick <= 1.01 * high for tick in ticks)


def account(measured: Sequence[float], curve: Sequence[float] = (1.0, 0.5, 0.1, -0.02)) -> RunCheck:
    one, shares = run("r-1"), np.array(curve)
    return RunCheck(one, one.times_s / 3600, np.array(measured), shares, shares, shares, np.array([0.1, 0, 0, 0.2]))


def test_no_weighing_is_cut_off() -> None:
    """A tree may weigh less than its curve's dry mass, and more than at its dip."""
    figure = draw_runs("backup", [account([1.12, 0.5, 0.1, -0.15])])
    low, high = figure.axes[0].get_ylim()
    assert low < -15
    assert high > 112
    (left, right), axes = draw_residuals("backup", [account([1, 0.5, 0.1, 0])]).axes[0].get_xlim(), figure.axes[0]
    assert left <= 0
    assert right >= 102
    assert axes.get_title(loc="left") == "t, coat 3, open"


def test_how_much_one_run_counts_for_the_promise_is_said() -> None:
    figure = draw_coverage("backup", [judged(str(n), 10.0 + n) for n in range(8)])
    said = [text.get_text() for text in figure.texts]
    assert any("8 runs left out" in words and "moves it by 12 points" in words for words in said)
