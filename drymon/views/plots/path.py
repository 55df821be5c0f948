"""The air's way over the psychrometric chart: darker by the day, a mark of its own for each day, arrows forward."""

from collections.abc import Sequence
from datetime import timedelta
from itertools import groupby, pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.colors import to_hex, to_rgb
from matplotlib.lines import Line2D
from matplotlib.patheffects import withStroke

from drymon.readback.coat_history import AirPoint
from drymon.views.plots.marks import note
from drymon.views.plots.style import INK, PAPER
from drymon.views.plots.time_axis import Span, day

Array = npt.NDArray[np.float64]
Box = tuple[Array, Array]
"""Centre and half size on the screen."""
Side = tuple[int, int, Literal["left", "center", "right"], Literal["top", "center", "bottom"]]

FIRST, LAST = "#7fb7df", "#08315f"
"""A light and a dark blue: the later the day, the darker, on grey paper as well."""

SHAPES = "osD^vPX*"
STEPS_H = (1, 2, 3, 6, 12, 24)
MOST_MARKS = 13
ARROW_PX, MARK_PX = 9.0, 9.0
SIDES: tuple[Side, ...] = tuple(
    (int(across), int(up), "left" if across > 4 else "right" if across < -4 else "center",
     "bottom" if up > 4 else "top" if up < -4 else "center")
    for far in (9, 22, 38)
    for across, up in (far * np.array([np.cos(turn), np.sin(turn)]) for turn in np.linspace(0, 2 * np.pi, 12, False))
)  # fmt: skip
"""Where the words of a mark may stand, in points from it: the freest place is taken, from afar with a thin line."""


def draw_path(axes: Axes, path: Sequence[AirPoint], span: Span) -> list[Artist]:
    """Draw the path; returns the key of its days."""
    days = [list(points) for _, points in groupby(path, key=lambda point: span.local(point.time).date())]
    longest = 3 * min((after.time - before.time for before, after in pairwise(path)), default=timedelta(0))
    colors = _colors(len(days))
    key: list[Artist] = []
    for number, (points, color) in enumerate(zip(days, colors, strict=True)):
        following = days[number + 1][:1] if number + 1 < len(days) else []
        _draw_line(axes, [*points, *following], longest, color)
        shape = SHAPES[number % len(SHAPES)]
        key.append(Line2D([], [], color=color, marker=shape, markersize=7, linewidth=2,
                          label=day(span.local(points[0].time))))  # fmt: skip
    _draw_marks(axes, path, days, colors, span)
    return key


def _colors(count: int) -> list[str]:
    light, dark = np.array(to_rgb(FIRST)), np.array(to_rgb(LAST))
    shares = np.linspace(0.0, 1.0, count) if count > 1 else np.array([0.75])
    return [to_hex(tuple(light + share * (dark - light))) for share in shares]


def _draw_line(axes: Axes, points: Sequence[AirPoint], longest: timedelta, color: str) -> None:
    rows: list[tuple[float, float]] = []
    for before, point in zip([None, *points[:-1]], points, strict=True):
        if before is not None and point.time - before.time > longest:
            rows.append((np.nan, np.nan))
        rows.append((point.temperature_c, point.ratio_g_per_kg))
    table = np.array(rows).reshape(-1, 2)
    axes.plot(table[:, 0], table[:, 1], color=color, linewidth=2.0, zorder=4, solid_joinstyle="round", gid="path",
              path_effects=[withStroke(linewidth=3.4, foreground=PAPER)])  # fmt: skip


def _draw_marks(
    axes: Axes, path: Sequence[AirPoint], days: Sequence[Sequence[AirPoint]], colors: Sequence[str], span: Span
) -> None:
    """Whole hours as marks with words, arrows half-way between them, begin and end."""
    style = {id(point): (SHAPES[n % len(SHAPES)], colors[n]) for n, points in enumerate(days) for point in points}
    marked = _marked(path, span)
    to_px = axes.transData.transform
    way = to_px([(point.temperature_c, point.ratio_g_per_kg) for point in path])
    taken: list[Box] = [(way[place], np.full(2, MARK_PX)) for place in (*marked, 0, len(path) - 1)]
    for first, after in pairwise([0, *marked, len(path) - 1]):
        if after - first > 1:
            _arrow(axes, path, way, (first + after) // 2, style[id(path[(first + after) // 2])][1])
    for place in marked:
        point = path[place]
        shape, color = style[id(point)]
        axes.plot(point.temperature_c, point.ratio_g_per_kg, marker=shape, markersize=7, color=color,
                  markeredgecolor=PAPER, markeredgewidth=0.9, zorder=5, gid="hour")  # fmt: skip
        _word(axes, point, f"{span.clock(point.time)}", way, taken)
    for point, words, mark in ((path[0], "begin", "o"), (path[-1], f"end {span.clock(path[-1].time)}", "s")):
        axes.plot(point.temperature_c, point.ratio_g_per_kg, marker=mark, markersize=10, color=PAPER,
                  markeredgecolor=INK, markeredgewidth=2.0, zorder=5.5)  # fmt: skip
        _word(axes, point, words, way, taken, bold=True)


def _marked(path: Sequence[AirPoint], span: Span) -> list[int]:
    """Places in the path nearest to whole local hours, at a step that gives no more marks than can be read."""
    step = next((hours for hours in STEPS_H if span.hours / hours <= MOST_MARKS), 24)
    seconds = np.array([point.time.timestamp() for point in path])
    reach = 0.6 * float(np.min(np.diff(seconds), initial=3600.0))
    found = []
    hour = span.local(path[0].time).replace(hour=0, minute=0, second=0, microsecond=0)
    while hour <= path[-1].time:
        place = int(np.argmin(np.abs(seconds - hour.timestamp())))
        if abs(seconds[place] - hour.timestamp()) <= reach and 0 < place < len(path) - 1:
            found.append(place)
        wall = hour.replace(tzinfo=None) + timedelta(hours=step)
        hour = wall.replace(tzinfo=span.zone)
    return sorted(set(found))


def _arrow(axes: Axes, path: Sequence[AirPoint], way: Array, middle: int, color: str) -> None:
    """A head at `middle`, pointing to where the path is a few points of the screen later."""
    far = np.hypot(*(way[middle:] - way[middle]).T) > ARROW_PX
    if not far.any():
        return
    ahead = path[middle + int(np.argmax(far))]
    here = path[middle]
    axes.annotate("", (ahead.temperature_c, ahead.ratio_g_per_kg), (here.temperature_c, here.ratio_g_per_kg),
                  arrowprops={"arrowstyle": "-|>", "color": color, "linewidth": 0, "mutation_scale": 18,
                              "shrinkA": 0, "shrinkB": 0}, zorder=4.5)  # fmt: skip


def _word(axes: Axes, point: AirPoint, words: str, way: Array, taken: list[Box], bold: bool = False) -> None:
    """The words beside their mark, where path, marks and other words are farthest."""
    at = axes.transData.transform((point.temperature_c, point.ratio_g_per_kg))
    scale = axes.figure.dpi / 72.0
    half = 0.5 * np.array([5.0 * len(words), 9.5]) * scale

    def box(side: Side) -> Box:
        return at + np.array(side[:2]) * scale + np.array([_lean(side[2]), _lean(side[3])]) * half, half

    def crowd(side: Side) -> float:
        centre, _ = box(side)
        on_path = float(np.sum((np.abs(way - centre) < half + 1.5 * scale).all(axis=1)))
        on_others = sum(bool((np.abs(other - centre) < half + size).all()) for other, size in taken)
        return on_path + 30.0 * on_others + 0.1 * float(np.hypot(*side[:2]))

    side = min(SIDES, key=crowd)
    taken.append(box(side))
    where = (point.temperature_c, point.ratio_g_per_kg)
    if np.hypot(*side[:2]) > 15:
        thin = {"arrowstyle": "-", "color": INK, "linewidth": 0.6, "shrinkA": 0, "shrinkB": 3}
        axes.annotate("", where, side[:2], textcoords="offset points", arrowprops=thin, zorder=5.8)
    note(axes, words, where, side[:2], size=8, ha=side[2], va=side[3], bold=bold, ground=True)


def _lean(side: str) -> float:
    return {"left": 1.0, "bottom": 1.0, "right": -1.0, "top": -1.0}.get(side, 0.0)
