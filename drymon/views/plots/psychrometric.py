"""A psychrometric chart: what the room's air did, on the map of temperature and humidity.

Every curve comes from `drymon.drying.air` for the room's own pressure. The path is told by shape as well as by
colour: a mark of its own for each day, hours in words, arrows for the direction.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import shorten
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Polygon
from matplotlib.transforms import IdentityTransform, ScaledTranslation

from drymon.drying import air
from drymon.readback.coat_history import AirPoint
from drymon.shop.facts.setup import CoatType, Rack
from drymon.views.plots.marks import note
from drymon.views.plots.path import draw_path
from drymon.views.plots.style import FAINT, INK, LEFT, QUIET, drawing, paper
from drymon.views.plots.time_axis import Span

Array = npt.NDArray[np.float64]

HUMIDITIES = (10, 20, 30, 40, 50, 60, 70, 80, 90, 100)
BAND_LOOKS = (("#E69F00", "//"), ("#CC79A7", "\\\\"), ("#5f6772", ".."), ("#D55E00", "xx"))
"""Edge (Okabe and Ito's set) and hatch of the coats' bands; green means safe to redip and is not among them."""

RIGHT, FOOT, HEAD, HEIGHT, KEY_LINE = 0.925, 0.72, 1.05, 7.7, 0.2
"""Inches, but RIGHT; the key's lines come on top of the foot."""
NARROWEST_C, LOWEST_TOP = 18.0, 12.0


@dataclass(frozen=True)
class Chart:
    """What part of the map is drawn: dry-bulb `low` to `high` in degC, humidity ratio 0 to `top` in g/kg, in Pa."""

    low: float
    high: float
    top: float
    pressure_pa: float

    @property
    def width(self) -> float:
        """K from edge to edge."""
        return self.high - self.low

    @property
    def temperatures(self) -> Array:
        """The dry-bulb temperatures at which curves are drawn, degC."""
        return np.linspace(self.low, self.high, 161)

    def ratio(self, temperature_c: air.Values, humidity_pct: air.Values) -> Array:
        """Humidity ratio, g of vapour per kg of dry air."""
        return 1000.0 * np.asarray(air.humidity_ratio(temperature_c, humidity_pct, self.pressure_pa))

    def wet_bulb_ratio(self, temperatures: Array, wet_bulb_c: float) -> Array:
        """Humidity ratio in g/kg at which air of these temperatures has that wet bulb; NaN where there is none.

        `air.wet_bulb` rises steadily with humidity, so it is inverted by looking it up.
        """
        humidity = np.linspace(0.0, 100.0, 401)
        bulbs = np.asarray(air.wet_bulb(temperatures[:, None], humidity, self.pressure_pa))
        ratios = self.ratio(temperatures[:, None], humidity)
        rows = zip(bulbs, ratios, strict=True)
        return np.array([np.interp(wet_bulb_c, bulb, ratio, left=np.nan, right=np.nan) for bulb, ratio in rows])


def draw_psychrometric(
    rack: Rack, path: Sequence[AirPoint], coats: Sequence[CoatType], span: Span, pressure_pa: float, origin: str
) -> Figure:
    """The rack's air over `span` on the chart.

    path: in time order; a break longer than the path's own pace stays a gap.
    coats: those that hung there; their bands are drawn as areas. origin: where the pressure is known from.
    """
    with drawing():
        name = f"{rack.label} ({rack.name})" if rack.label else rack.name
        also = f"at {pressure_pa / 100:.0f} hPa, {origin} · the farther below the saturation line, the faster it dries"
        banded = [coat for coat in coats if coat.room.temperature_c or coat.room.humidity_pct]
        rows = _key_rows(len(banded), path, span)
        foot = FOOT + KEY_LINE * rows
        height = HEIGHT - FOOT + foot
        figure = paper(f"Air at {name} on the psychrometric chart", span.words, height, also)
        axes = figure.add_axes((LEFT, foot / height, RIGHT - LEFT, 1 - (foot + HEAD) / height))
        chart = chart_for(path, banded, pressure_pa)
        _dress(axes, chart)
        key = _draw_bands(axes, chart, banded)
        _draw_humidities(axes, chart)
        _draw_wet_bulbs(axes, chart)
        days = draw_path(axes, path, span) if path else []
        if not path:
            note(axes, "no air is known for these hours", (0.5, 0.3), counted=("axes fraction",) * 2, size=11,
                 ha="center", ground=True)  # fmt: skip
        _draw_key(figure, key, days, rows, (foot - FOOT + 0.08) / height)
        return figure


def _key_rows(bands: int, path: Sequence[AirPoint], span: Span) -> int:
    """Lines of the key: a band on each, the days in at most three columns beside them."""
    days = len({span.local(point.time).date() for point in path})
    return max(bands, -(-days // 3), 1)


def _draw_key(figure: Figure, bands: list[Artist], days: list[Artist], rows: int, top: float) -> None:
    """Below the axes, where no curve runs: what the bands are on the left, which mark is which day on the right."""
    look: dict[str, Any] = {
        "frameon": False, "fontsize": 8.5, "borderpad": 0.2, "borderaxespad": 0.0, "labelspacing": 0.55,
        "columnspacing": 1.4,
    }  # fmt: skip
    if bands:
        figure.legend(handles=bands, loc="upper left", bbox_to_anchor=(LEFT, top), **look)
    if days:
        figure.legend(handles=days, loc="upper right", bbox_to_anchor=(RIGHT, top), ncols=-(-len(days) // rows), **look)


def chart_for(path: Sequence[AirPoint], coats: Sequence[CoatType], pressure_pa: float) -> Chart:
    """The chart that holds the path and most of the bands: whole 5 degC, at least 18 K wide."""
    limits = [limit for coat in coats for limit in coat.room.temperature_c or ()]
    temperatures = [point.temperature_c for point in path] + limits or [15.0, 30.0]
    low, high = min(temperatures) - 2.0, max(temperatures) + 2.0
    missing = max(0.0, NARROWEST_C - (high - low)) / 2
    low, high = 5.0 * np.floor((low - missing) / 5), 5.0 * np.ceil((high + missing) / 5)
    low, high = max(low, air.TEMPERATURE_RANGE_C[0]), min(high, air.TEMPERATURE_RANGE_C[1])
    chart = Chart(low, high, 0.0, pressure_pa)
    seen = [float(chart.ratio(point.temperature_c, point.humidity_pct)) for point in path]
    asked = [float(chart.ratio(*_corner(coat, chart))) for coat in coats]
    top = max(LOWEST_TOP, *(1.12 * ratio for ratio in (*seen, *asked)), 0.0)
    return Chart(low, high, float(2.0 * np.ceil(top / 2.0)), pressure_pa)


def _corner(coat: CoatType, chart: Chart) -> tuple[float, float]:
    temperature = coat.room.temperature_c or (chart.low, chart.high)
    return temperature[1], (coat.room.humidity_pct or (0.0, 100.0))[1]


def _dress(axes: Axes, chart: Chart) -> None:
    axes.set_xlim(chart.low, chart.high)
    axes.set_ylim(0.0, chart.top)
    axes.set_xlabel("dry-bulb temperature, °C")
    axes.set_ylabel("humidity ratio, g of water vapour per kg of dry air")
    axes.yaxis.tick_right()
    axes.yaxis.set_label_position("right")
    axes.spines["left"].set_visible(False)
    axes.spines["right"].set_visible(True)
    step = 5.0 if chart.width > 30 else 2.0
    warm = np.arange(step * np.ceil(chart.low / step), chart.high + 0.1, step)
    damp = np.arange(2.0, chart.top + 0.1, 2.0)
    axes.set_xticks(warm, [f"{tick:g}" for tick in warm])
    axes.set_yticks(damp)
    saturated = chart.ratio(chart.temperatures, 100.0)
    axes.vlines(warm, 0.0, np.interp(warm, chart.temperatures, saturated), color=FAINT, linewidth=0.5, zorder=0.3)
    dew = np.interp(damp, saturated, chart.temperatures)
    axes.hlines(damp, dew, chart.high, color=FAINT, linewidth=0.5, zorder=0.3)


def _draw_humidities(axes: Axes, chart: Chart) -> None:
    """Curves of constant relative humidity, the saturation line heavier, each with its figure near its end."""
    for humidity in HUMIDITIES:
        saturated = humidity == 100
        ratios = chart.ratio(chart.temperatures, float(humidity))
        axes.plot(chart.temperatures, ratios, color=INK if saturated else QUIET, gid=f"humidity-{humidity}",
                  linewidth=1.8 if saturated else 0.6, alpha=1.0 if saturated else 0.75, zorder=2)  # fmt: skip
        share = 0.88 if saturated else 0.965
        at = min(float(np.interp(share * chart.top, ratios, chart.temperatures)), chart.high - 0.035 * chart.width)
        words = "saturation line, 100 % RH" if saturated else f"{humidity} %"
        _along(axes, chart, at, float(humidity), words, saturated)


def _along(axes: Axes, chart: Chart, at: float, humidity: float, words: str, above: bool) -> None:
    """Words along a curve of constant humidity; `above`: clear of the line and of the wet bulbs beside it."""
    ends = chart.ratio(np.array([at - 0.2, at, at + 0.2]), humidity)
    angle = float(np.degrees(np.arctan2(ends[2] - ends[0], 0.4)))
    shift = ScaledTranslation(-22 / 72, 21 / 72, axes.figure.dpi_scale_trans) if above else IdentityTransform()
    ground = None if above else {"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.9}
    axes.text(at, float(ends[1]), words, rotation=angle, rotation_mode="anchor", transform_rotates_text=True,
              fontsize=9.5 if above else 7.5, fontweight="bold" if above else "normal", bbox=ground, zorder=2.5,
              color=INK if above else QUIET, ha="right" if above else "center", va="center",
              transform=axes.transData + shift)  # fmt: skip


def _draw_wet_bulbs(axes: Axes, chart: Chart) -> None:
    """Lines of constant wet bulb, dashed, each with its temperature where it begins: at saturation or at the left."""
    step = 5 if chart.width > 30 else 2
    for bulb in np.arange(step * np.ceil((chart.low - chart.width) / step), chart.high, step, dtype=float):
        inside = chart.temperatures[chart.temperatures > bulb]
        temperatures = np.concatenate([[bulb], inside]) if bulb > chart.low else inside
        ratios = chart.wet_bulb_ratio(temperatures, bulb)
        if not 0.0 < ratios[0] < 0.97 * chart.top:
            continue
        axes.plot(temperatures, ratios, color=QUIET, linewidth=0.6, linestyle=(0, (4, 3)), alpha=0.75, zorder=1.8,
                  gid=f"wet-bulb-{bulb:g}")  # fmt: skip
        shift = (-4, 4) if bulb > chart.low else (-4, 0)
        note(axes, f"{bulb:g}", (float(temperatures[0]), float(ratios[0])), shift, size=7.5, color=QUIET, ha="right",
             va="bottom" if bulb > chart.low else "center")  # fmt: skip
    # Like an axis of its own, beside those that begin at the left edge: nothing else is written there.
    middle = 0.5 * min(float(chart.ratio(chart.low, 100.0)), chart.top) / chart.top
    axes.annotate("wet bulb, °C", (0, middle), (-30, 0), xycoords="axes fraction", textcoords="offset points",
                  fontsize=8, color=QUIET, rotation=90, ha="center", va="center", annotation_clip=False)  # fmt: skip


def _draw_bands(axes: Axes, chart: Chart, coats: Sequence[CoatType]) -> list[Artist]:
    """What the coats ask of the room, as hatched areas between two temperatures and two humidities; returns a key."""
    key: list[Artist] = []
    for number, coat in enumerate(coats):
        edge, hatch = BAND_LOOKS[number % len(BAND_LOOKS)]
        low, high = coat.room.temperature_c or (chart.low, chart.high)
        damp, damper = coat.room.humidity_pct or (0.0, 100.0)
        across = np.linspace(max(low, chart.low), min(high, chart.high), 60)
        words = f"{shorten(coat.label or coat.name, 44, placeholder=' …')} asks for {_asked(coat)}"
        under, over = chart.ratio(across, damp), chart.ratio(across, damper)
        outline = np.column_stack([np.append(across, across[::-1]), np.append(under, over[::-1])])
        area = Polygon(outline, facecolor=to_rgba(edge, 0.07), edgecolor=to_rgba(edge, 0.4), hatch=hatch, linewidth=0,
                       zorder=0.8)  # fmt: skip
        axes.add_patch(area)
        axes.add_patch(Polygon(outline, fill=False, edgecolor=edge, linewidth=1.6, zorder=1.5, gid=f"band-{coat.name}"))
        key.append(Patch(facecolor=to_rgba(edge, 0.07), edgecolor=edge, hatch=hatch, label=words))
    return key


def _asked(coat: CoatType) -> str:
    temperature, humidity = coat.room.temperature_c, coat.room.humidity_pct
    words = [f"{temperature[0]:g} to {temperature[1]:g} °C"] if temperature else []
    return ", ".join(words + ([f"{humidity[0]:g} to {humidity[1]:g} % RH"] if humidity else []))
