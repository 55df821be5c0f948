"""A rack's air: temperature, humidity, air speed above each other, what the coats ask for, what happened."""

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drymon.drying.quantities import RECORDED, Quantity
from drymon.readback.coat_history import stays_on
from drymon.shop.facts.events import Dip, FanSwitched, LogEvent
from drymon.shop.facts.lives import Coat, Stay, all_coats, lives_of
from drymon.shop.facts.setup import Rack, RoomSetup
from drymon.views.plots.marks import LETTER, TOP, Shelf, note
from drymon.views.plots.style import BAND, BLUE, EDGE, INK, PLUM, PURPLE, QUIET, RUST, drawing, panels, paper
from drymon.views.plots.time_axis import Span, dress_time, x_of

Series = Sequence[tuple[datetime, float]]
Limits = tuple[float, float]
Hung = Sequence[tuple[Coat, Stay]]


@dataclass(frozen=True)
class Panel:
    """One quantity's panel: its band in a coat's room, its line's colour, its axis' least height."""

    quantity: Quantity
    title: str
    unit: str
    band: str
    color: str
    least: float
    digits: int


DRIES = (
    Panel(Quantity.TEMPERATURE, "temperature, °C", "°C", "temperature_c", RUST, 2.0, 1),
    Panel(Quantity.HUMIDITY, "relative humidity, %", "%", "humidity_pct", BLUE, 10.0, 0),
    Panel(Quantity.AIRFLOW, "air speed, m/s", "m/s", "airflow_m_per_s", PLUM, 0.5, 2),
)
"""What every rack's picture shows: what its coats dry by."""

BESIDE = tuple(
    Panel(quantity, f"{row.name}, {row.unit}", row.unit, row.key, QUIET, row.least, row.digits)
    for quantity, row in RECORDED.items()
)
"""What it shows beneath where a sensor tells it."""

PANEL_HEIGHT = 7.4 / 3
"""Of the sheet, in inches."""


def shown(told: Container[Quantity]) -> tuple[Panel, ...]:
    """The panels of a picture of air, where sensors have told these quantities."""
    return *DRIES, *(panel for panel in BESIDE if panel.quantity in told)


def draw_rack(
    rack: Rack, air: Mapping[Quantity, Series], events: Sequence[LogEvent], room: RoomSetup, span: Span
) -> Figure:
    """The rack's air over `span`.

    air: (time, value) in default units and time order; breaks longer than `stale_after_min` stay gaps.
    events: the room's log in time order; dips on this rack choose the bands, fan switches mark the lowest panel.
    """
    with drawing():
        name = f"{rack.label} ({rack.name})" if rack.label else rack.name
        drawn = shown({quantity for quantity, series in air.items() if series})
        figure = paper(f"Air at {name}", span.words, height=PANEL_HEIGHT * len(drawn))
        axes = panels(figure, [1] * len(drawn), gap=0.22, foot=0.72, head=1.15)
        hung = stays_on(rack.name, all_coats(lives_of(events, span.end)))
        dips = [coat.dip for coat, stay in hung if stay.begin == coat.dip.time and span.begin <= stay.begin <= span.end]
        for panel, each in zip(drawn, axes, strict=True):
            _draw_panel(each, panel, air.get(panel.quantity, ()), rack, hung, room, span)
            for dip in dips:
                each.axvline(x_of(dip.time), color=QUIET, linewidth=0.8, alpha=0.6, zorder=1)
            dress_time(each, span, labels=panel is drawn[-1])
        _name_dips(axes[0], dips, span)
        _draw_fans(axes[-1], rack.name, events, span)
        return figure


def _draw_panel(  # noqa: PLR0913, where, what is drawn, and of which rack, room and span
    axes: Axes, panel: Panel, series: Series, rack: Rack, hung: Hung, room: RoomSetup, span: Span
) -> None:
    longest = timedelta(minutes=room.stale_after_min)
    inside = [(time, value) for time, value in series if span.begin <= time <= span.end]
    axes.plot(*_with_gaps(inside, longest), color=panel.color, linewidth=1.2)
    bands = _draw_band(axes, panel, hung, room, span)
    extent = _extent(panel, [value for _, value in inside])
    if not inside:
        extent = _draw_nothing(axes, panel, rack, extent)
    _dress_values(axes, panel, extent, bands)
    _draw_gaps(axes, [time for time, _ in inside], longest, span)
    _label_right(axes, panel, inside, bands)


def _with_gaps(series: Series, longest: timedelta) -> tuple[np.ndarray, np.ndarray]:
    """The series with a hole (not a number) wherever two neighbours are farther apart than `longest`."""
    rows: list[tuple[float, float]] = []
    for place, (time, value) in enumerate(series):
        if place and time - series[place - 1][0] > longest:
            rows.append((x_of(series[place - 1][0]), np.nan))
        rows.append((x_of(time), value))
    table = np.array(rows, dtype=float).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _extent(panel: Panel, values: Sequence[float]) -> Limits:
    """Lowest and highest value, at least `panel.least` apart: a quiet day's noise must not fill the panel."""
    low, high = (min(values), max(values)) if values else (0.0, panel.least)
    short = panel.least - (high - low)
    return (low - short / 2, high + short / 2) if short > 0 else (low, high)


def _dress_values(axes: Axes, panel: Panel, extent: Limits, bands: Sequence[Limits]) -> None:
    low, high = min(low for low, _ in (extent, *bands)), max(high for _, high in (extent, *bands))
    margin = 0.07 * (high - low)
    floor = 0.0 if panel.quantity is Quantity.AIRFLOW else -np.inf
    axes.set_ylim(max(low - margin, floor), high + margin)
    axes.set_ylabel(panel.title)
    axes.yaxis.set_label_coords(-0.048, 0.5)
    axes.grid(axis="y")
    axes.locator_params(axis="y", nbins=5)


def _draw_band(axes: Axes, panel: Panel, hung: Hung, room: RoomSetup, span: Span) -> list[Limits]:
    """Shade what all coats that hang there ask for together; returns all limits shaded, in time order."""
    shaded: list[Limits] = []
    edges = {span.begin, span.end, *(stay.begin for _, stay in hung), *(stay.end for _, stay in hung)}
    for begin, end in pairwise(sorted(edge for edge in edges if span.begin <= edge <= span.end)):
        there = [coat for coat, stay in hung if stay.begin <= begin < stay.end]
        asked = [limits for coat in there if (limits := _asked(coat, panel, room))]
        low, high = max((low for low, _ in asked), default=0.0), min((high for _, high in asked), default=0.0)
        if low >= high:
            continue
        shaded.append((low, high))
        reach = [x_of(begin), x_of(end)]
        axes.fill_between(reach, low, high, color=BAND, linewidth=0, zorder=0)
        for limit in (low, high):
            axes.plot(reach, [limit] * 2, color=EDGE, linewidth=0.7, zorder=0.6)
    return shaded


def _asked(coat: Coat, panel: Panel, room: RoomSetup) -> Limits | None:
    kind = room.coat_by_name.get(coat.dip.coat)
    limits: Limits | None = getattr(kind.room, panel.band) if kind else None
    return limits


def _draw_nothing(axes: Axes, panel: Panel, rack: Rack, extent: Limits) -> Limits:
    """No reading at all: say so; for air speed show the range that is assumed instead. Returns the extent."""
    words = "no readings"
    if panel.quantity is Quantity.AIRFLOW:
        extent = rack.airflow_assumed
        axes.axhspan(*extent, facecolor="none", edgecolor=PURPLE, hatch="....", linewidth=0, alpha=0.6)
        words = f"no anemometer: {extent[0]:g} to {extent[1]:g} m/s is assumed"
    note(axes, words, (0.5, 0.5), counted=("axes fraction",) * 2, size=9, ha="center", ground=True)
    return extent


def _draw_gaps(axes: Axes, times: Sequence[datetime], longest: timedelta, span: Span) -> None:
    """Hatch the time without evidence, and say so where the words fit."""
    edges = [span.begin, *times, span.end] if times else []
    for before, after in pairwise(edges):
        if after - before <= longest:
            continue
        axes.axvspan(x_of(before), x_of(after), facecolor="none", edgecolor=EDGE, hatch="////", linewidth=0,
                     zorder=0.4)  # fmt: skip
        if (after - before) / (span.end - span.begin) > 0.075:
            middle = x_of(before + (after - before) / 2)
            note(axes, "no readings", (middle, 0.5), counted=TOP, color=QUIET, ha="center", ground=True)


def _label_right(axes: Axes, panel: Panel, inside: Series, bands: Sequence[Limits]) -> None:
    shelf = Shelf(axes, gap=0.115)
    if inside:
        shelf.put(inside[-1][1], f"{inside[-1][1]:.{panel.digits}f} {panel.unit}", panel.color, bold=True)
    if bands:
        low, high = bands[-1]
        shelf.put((low + high) / 2, f"asked: {low:g} to {high:g}", QUIET)
    shelf.draw()


def _name_dips(axes: Axes, dips: Sequence[Dip], span: Span) -> None:
    """Which tree was dipped, above the highest panel; where names would collide, the rest is counted."""
    groups: list[list[Dip]] = []
    for dip in dips:
        room = (len(groups[-1][0].tree) + 6) * LETTER * (span.end - span.begin) if groups else span.end - span.end
        if groups and dip.time - groups[-1][0].time < room:
            groups[-1].append(dip)
        else:
            groups.append([dip])
    for first, *others in groups:
        words = f"▾ {first.tree}" + (f" +{len(others)}" if others else "")
        note(axes, words, (x_of(first.time), 1), (-3, 5), counted=TOP, size=7.5, va="bottom")


def _draw_fans(axes: Axes, rack: str, events: Sequence[LogEvent], span: Span) -> None:
    """Fan switches: a filled mark for on, an open one for off."""
    for event in events:
        if isinstance(event, FanSwitched) and event.rack == rack and span.begin <= event.time <= span.end:
            axes.plot(
                x_of(event.time), 0.04, transform=axes.get_xaxis_transform(), zorder=5, clip_on=False,
                marker="^" if event.on else "v", markersize=7, color=INK,
                markerfacecolor=INK if event.on else "white",
            )  # fmt: skip
            word = f"fan {'on' if event.on else 'off'}"
            note(axes, word, (x_of(event.time), 0.04), (8, 1), counted=TOP, ground=True)
