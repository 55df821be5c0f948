"""A tank of slurry over months: cup, temperature, density, pH above each other with their bands, water and fillings."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drymon.shop.facts.events import SlurryCheck
from drymon.shop.facts.setup import Tank
from drymon.shop.facts.slurry import UNITS, Measured, Value, band_words, with_unit
from drymon.views.plots.marks import TOP, Shelf, note
from drymon.views.plots.style import BAND, BLUE, EDGE, INK, PLUM, QUIET, RUST, VERMILLION, drawing, panels, paper
from drymon.views.plots.time_axis import Span, dress_long_time, x_of


@dataclass(frozen=True)
class TankPanel:
    """One measured value's panel: its title, its line's colour, its axis' least height."""

    what: Measured
    title: str
    color: str
    least: float


PANELS = (
    TankPanel("seconds", "out of the cup, s", BLUE, 4.0),
    TankPanel("temperature", "temperature, °C", RUST, 2.0),
    TankPanel("density", "density, kg/L", PLUM, 0.04),
    TankPanel("ph", "pH", INK, 0.5),
)


def draw_slurry(tank: Tank, checks: Sequence[SlurryCheck], span: Span) -> Figure:
    """The tank over `span`. checks: those that stand, by time."""
    inside = [check for check in checks if span.begin <= check.time <= span.end]
    with drawing():
        name = f"{tank.label} ({tank.name})" if tank.label else tank.name
        water = sum(check.water_added or 0.0 for check in inside)
        also = f"{water:.3g} L of water added, at the ticks below the cup's line" if water else ""
        figure = paper(f"Slurry {name}", span.words + (f" · {tank.cup}" if tank.cup else ""), height=8.2, also=also)
        for panel, axes in zip(PANELS, panels(figure, [1.3, 1, 1, 1], gap=0.2, foot=0.72, head=1.2), strict=True):
            _draw(axes, panel, tank, inside)
            for filled in (check for check in inside if check.fresh):
                axes.axvline(x_of(filled.time), color=QUIET, linewidth=0.9, linestyle=(0, (4, 3)), zorder=0.7)
                if panel is PANELS[0]:
                    note(axes, "new filling", (x_of(filled.time), 1), (0, 5), counted=TOP, size=7.5, ha="center")
            dress_long_time(axes, span, labels=panel is PANELS[-1])
        return figure


def _draw(axes: Axes, panel: TankPanel, tank: Tank, checks: Sequence[SlurryCheck]) -> None:
    band: tuple[float, float] | None = getattr(tank, panel.what)
    told = [(check, getattr(check, panel.what)) for check in checks if getattr(check, panel.what) is not None]
    values = [Value(panel.what, value, check.time, _band_of(band, panel, tank, check)) for check, value in told]
    axes.set_ylabel(panel.title)
    axes.yaxis.set_label_coords(-0.048, 0.5)
    axes.grid(axis="y")
    axes.locator_params(axis="y", nbins=5)
    axes.set_ylim(*_limits(panel, [value.value for value in values], band))
    if band is not None:
        axes.axhspan(*band, color=BAND, zorder=0)
        for limit in band:
            axes.axhline(limit, color=EDGE, linewidth=0.7, zorder=0.6)
    if not values:
        note(axes, "not measured", (0.5, 0.5), counted=("axes fraction",) * 2, size=9, ha="center", ground=True)
        axes.set_yticks([] if band is None else list(band))
    for run in _by_filling(values, [check.time for check in checks if check.fresh]):
        axes.plot([x_of(value.time) for value in run], [value.value for value in run], "-", color=panel.color, lw=1.1)
    _mark(axes, panel, values)
    if panel.what == "seconds":
        _water(axes, checks)
    _label(axes, panel, values, band)


def _by_filling(values: Sequence[Value], filled: Sequence[datetime]) -> list[list[Value]]:
    """No line leads from one filling to the next: they are two slurries."""
    edges = [*filled, None]
    runs, begin = list[list[Value]](), None
    for end in edges:
        runs.append([one for one in values if (not begin or one.time >= begin) and (not end or one.time < end)])
        begin = end
    return runs


def _band_of(
    band: tuple[float, float] | None, panel: TankPanel, tank: Tank, check: SlurryCheck
) -> tuple[float, float] | None:
    """Seconds out of another cup are not those of the band."""
    other = panel.what == "seconds" and check.cup is not None and check.cup != tank.cup
    return None if other else band


def _mark(axes: Axes, panel: TankPanel, values: Sequence[Value]) -> None:
    """A dot for what is in its band, a triangle that points the way it is out of it: told without colour too."""
    for beyond, mark in ((0, "o"), (1, "^"), (-1, "v")):
        found = [value for value in values if value.beyond == beyond]
        color = VERMILLION if beyond else panel.color
        axes.plot(
            [x_of(value.time) for value in found], [value.value for value in found], mark, color=color,
            markersize=7 if beyond else 4, markeredgecolor=INK if beyond else color, markeredgewidth=0.7, zorder=5,
        )  # fmt: skip


def _water(axes: Axes, checks: Sequence[SlurryCheck]) -> None:
    times = [x_of(check.time) for check in checks if check.water_added]
    axes.plot(times, [0.03] * len(times), "|", color=BLUE, markersize=9, transform=axes.get_xaxis_transform(), zorder=4)


def _limits(panel: TankPanel, values: Sequence[float], band: tuple[float, float] | None) -> tuple[float, float]:
    """Lowest and highest value and band, at least `panel.least` apart, with a margin."""
    known = [*values, *(band or ())] or [0.0, panel.least]
    low, high = min(known), max(known)
    short = max(panel.least - (high - low), 0.0)
    margin = 0.12 * max(high - low, panel.least)
    return low - short / 2 - margin, high + short / 2 + margin


def _label(axes: Axes, panel: TankPanel, values: Sequence[Value], band: tuple[float, float] | None) -> None:
    shelf = Shelf(axes, gap=0.16)
    if values:
        last = values[-1]
        color = VERMILLION if last.beyond else panel.color
        shelf.put(last.value, with_unit(panel.what, f"{last.value:g}"), color, bold=True)
    if band is not None:
        shelf.put(sum(band) / 2, f"asked: {band_words(panel.what, band)}".removesuffix(f" {UNITS[panel.what]}"), QUIET)
    shelf.draw()
