"""A rack's air over weeks to a year: the mean, and the band between each bucket's lowest and highest value."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drymon.drying.quantities import Quantity
from drymon.readback.air_record import AirRecord
from drymon.readback.gather import AIR
from drymon.shop.facts.setup import Band, Rack, RoomSetup
from drymon.store import Bucket, Store
from drymon.views.plots.rack import PANEL_HEIGHT, Panel, shown
from drymon.views.plots.style import BAND, EDGE, QUIET, drawing, panels, paper
from drymon.views.plots.time_axis import Span, dress_long_time, x_of

MOST_BUCKETS = 400
HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class LongAir:
    """Buckets by quantity, `step` apart where there was a reading."""

    step: timedelta
    buckets: Mapping[Quantity, Sequence[Bucket]]


def long_air(store: Store, room: RoomSetup, rack: Rack, begin: datetime, end: datetime) -> LongAir:
    """A rack's air in whole-hour buckets."""
    step = HOUR * max(1, -int(-(end - begin) / HOUR // MOST_BUCKETS))
    air = AirRecord(store, room)
    return LongAir(step, {quantity: air.of_rack(rack.name, quantity, begin, end, step) for quantity in AIR})


def draw_long_air(rack: Rack, air: LongAir, room: RoomSetup, span: Span) -> Figure:
    """The picture: panels as for a day, with what the coats of this room ask for behind them."""
    with drawing():
        name = f"{rack.name}, {rack.label}" if rack.label else rack.name
        hours = round(air.step / HOUR)
        what = "every hour" if hours == 1 else f"every {hours} hours"
        drawn = shown({quantity for quantity, buckets in air.buckets.items() if buckets})
        words = f"{span.words} · mean, lowest and highest {what}"
        figure = paper(f"Air at {name}", words, height=PANEL_HEIGHT * len(drawn))
        axes = panels(figure, [1] * len(drawn), gap=0.22, foot=0.72, head=1.15)
        for panel, each in zip(drawn, axes, strict=True):
            _draw(each, panel, air, room)
            dress_long_time(each, span, labels=panel is drawn[-1])
        return figure


def _draw(axes: Axes, panel: Panel, air: LongAir, room: RoomSetup) -> None:
    for low, high in _asked(panel, [coat.room for coat in room.coats]):
        axes.axhspan(low, high, color=BAND, zorder=0)
        for limit in (low, high):
            axes.axhline(limit, color=EDGE, linewidth=0.7, zorder=0.6)
    axes.set_ylabel(panel.title)
    axes.yaxis.set_label_coords(-0.048, 0.5)
    axes.grid(axis="y")
    buckets = air.buckets.get(panel.quantity, ())
    if not buckets:
        axes.text(0.5, 0.5, "no readings", transform=axes.transAxes, ha="center", color=QUIET)
        return
    for run in _unbroken(buckets, air.step):
        times = [x_of(bucket.start + air.step / 2) for bucket in run]
        lows, highs = [bucket.low for bucket in run], [bucket.high for bucket in run]
        axes.fill_between(times, lows, highs, color=panel.color, alpha=0.22, linewidth=0)
        axes.plot(times, [bucket.mean for bucket in run], color=panel.color, linewidth=1.2)
    _label(axes, panel, buckets)


def _label(axes: Axes, panel: Panel, buckets: Sequence[Bucket]) -> None:
    count = sum(bucket.count for bucket in buckets)
    mean = sum(bucket.mean * bucket.count for bucket in buckets) / count
    words = (
        f"mean {mean:.{panel.digits}f}\n{min(b.low for b in buckets):.{panel.digits}f} to "
        f"{max(b.high for b in buckets):.{panel.digits}f} {panel.unit}"
    )
    axes.annotate(words, (1.012, 0.5), xycoords="axes fraction", va="center", fontsize=8.5, color=panel.color)


def _asked(panel: Panel, bands: Sequence[Band]) -> list[tuple[float, float]]:
    """What all coats that ask for anything ask for together; nothing where they contradict each other."""
    limits = [pair for band in bands if (pair := getattr(band, panel.band)) is not None]
    low, high = max((low for low, _ in limits), default=0.0), min((high for _, high in limits), default=0.0)
    return [(low, high)] if low < high else []


def _unbroken(buckets: Sequence[Bucket], step: timedelta) -> list[list[Bucket]]:
    runs: list[list[Bucket]] = []
    for bucket in buckets:
        if runs and bucket.start - runs[-1][-1].start <= 2 * step:
            runs[-1].append(bucket)
        else:
            runs.append([bucket])
    return runs
