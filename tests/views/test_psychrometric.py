"""The psychrometric chart: its curves against an independent library, its path, what it says without colour."""

import math
from dataclasses import replace
from datetime import timedelta
from itertools import combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import psychrolib
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon
from matplotlib.text import Annotation
from matplotlib.transforms import Bbox

from drymon.readback.coat_history import AirPoint
from drymon.views.plots.psychrometric import BAND_LOOKS, draw_psychrometric
from drymon.views.plots.style import GREEN, save
from drymon.views.plots.time_axis import Span
from tests.views.invented import ROOM, hours

ZONE = ZoneInfo("Europe/Berlin")
SPAN = Span(hours(0), hours(48), ZONE)
PRESSURE = 90_000.0


@pytest.fixture(autouse=True)
def si_units() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)


def path(end_h: float = 48.0, gap: tuple[float, float] = (20.0, 23.0)) -> list[AirPoint]:
    """A loop a day around 22 degC and 8.5 g/kg, sampled every ten minutes, with a gap; a little damper each day."""
    rows = []
    for step in range(int(end_h * 6)):
        at = step / 6
        if not gap[0] < at < gap[1]:
            turn = 2 * math.pi * at / 24
            rows.append(AirPoint(hours(at), 22 + 2 * math.sin(turn), 50.0, 8.5 + 1.5 * math.cos(turn) + at / 100))
    return rows


def chart(points: list[AirPoint] | None = None, pressure: float = PRESSURE) -> Figure:
    drawn = path() if points is None else points
    return draw_psychrometric(ROOM.racks[0], drawn, ROOM.coats, SPAN, pressure, "measured")


def lines(figure: Figure, gid: str) -> list[Line2D]:
    return [line for line in figure.axes[0].lines if str(line.get_gid()).startswith(gid)]


def words(figure: Figure, folder: Path) -> list[str]:
    root = ElementTree.parse(save(figure, folder / "chart.svg")).getroot()
    return ["".join(text.itertext()).strip() for text in root.iter("{http://www.w3.org/2000/svg}text")]


@pytest.mark.parametrize("pressure", [101_325.0, 80_000.0])
def test_humidity_curves_are_those_of_psychrolib(pressure: float) -> None:
    """psychrolib GetHumRatioFromRelHum (ASHRAE 2017 eq. 20 and 22), point for point."""
    found = lines(chart(pressure=pressure), "humidity-")
    assert [line.get_gid() for line in found] == [f"humidity-{humidity}" for humidity in range(10, 101, 10)]
    for line in found:
        humidity = int(str(line.get_gid()).split("-")[1]) / 100
        for warm, ratio in list(zip(*line.get_data(), strict=True))[::20]:
            assert ratio == pytest.approx(1000 * psychrolib.GetHumRatioFromRelHum(warm, humidity, pressure), rel=2e-4)


@pytest.mark.parametrize("pressure", [101_325.0, 80_000.0])
def test_wet_bulb_lines_are_those_of_psychrolib(pressure: float) -> None:
    """psychrolib GetHumRatioFromTWetBulb (ASHRAE 2017 eq. 33); 0.01 g/kg is half a line's width."""
    found = lines(chart(pressure=pressure), "wet-bulb-")
    assert len(found) >= 4
    for line in found:
        bulb = float(str(line.get_gid()).removeprefix("wet-bulb-"))
        pairs = [(warm, ratio) for warm, ratio in zip(*line.get_data(), strict=True) if not math.isnan(ratio)]
        assert len(pairs) > 10
        for warm, ratio in pairs[::10]:
            expected = 1000 * psychrolib.GetHumRatioFromTWetBulb(warm, bulb, pressure)
            assert ratio == pytest.approx(expected, abs=0.01), (bulb, warm)


def test_a_coats_band_is_cut_out_by_its_temperatures_and_humidities() -> None:
    """Corners by psychrolib; the prime coat of the invented room asks for 20 to 24 degC and 45 to 65 % RH."""
    area = next(patch for patch in chart().axes[0].patches if patch.get_gid() == "band-prime")
    assert isinstance(area, Polygon)
    corners = {(round(x, 6), round(y, 3)) for x, y in area.get_xy()}
    for warm in (20.0, 24.0):
        for humidity in (0.45, 0.65):
            ratio = 1000 * psychrolib.GetHumRatioFromRelHum(warm, humidity, PRESSURE)
            assert any(x == warm and y == pytest.approx(ratio, abs=2e-3) for x, y in corners), (warm, humidity)


def test_the_path_is_the_air_and_breaks_where_nothing_was_heard() -> None:
    points = path()
    drawn = np.concatenate([np.column_stack(line.get_data()) for line in lines(chart(), "path")])
    known = {(point.temperature_c, point.ratio_g_per_kg) for point in points}
    assert {(x, y) for x, y in drawn if x == x} == known
    assert int(np.isnan(drawn[:, 0]).sum()) == 1
    whole = np.concatenate([np.column_stack(line.get_data()) for line in lines(chart(path(gap=(0, 0))), "path")])
    assert not np.isnan(whole).any()


def test_hours_are_marked_at_their_place_with_another_shape_each_day(tmp_path: Path) -> None:
    """48 h from 06:00 in Berlin: marks every six hours, the one of the gap's 02:00 is not among them."""
    figure = chart()
    marks = lines(figure, "hour")
    wanted = {hours(at) for at in (6, 12, 18, 24, 30, 36, 42)}
    at = {(round(p.temperature_c, 9), round(p.ratio_g_per_kg, 9)): p.time for p in path() if p.time in wanted}
    found = [tuple(round(float(value[0]), 9) for value in mark.get_data()) for mark in marks]
    assert {at[place] for place in found} == wanted
    assert len({mark.get_marker() for mark in marks}) == 3
    said = words(figure, tmp_path)
    assert {"Mon 3 Mar", "Tue 4 Mar", "Wed 5 Mar", "begin", "end 05:50"} <= set(said)
    assert said.count("12:00") == 2
    arrows = [text for text in figure.axes[0].texts if isinstance(text, Annotation) and not text.get_text()]
    assert len(arrows) >= len(marks)


def test_the_day_can_be_told_on_grey_paper() -> None:
    """Later days are darker: each day's line has a lower luminance than the one before."""
    lightness = []
    for line in lines(chart(), "path"):
        red, green, blue = (int(str(line.get_color())[i : i + 2], 16) for i in (1, 3, 5))
        lightness.append(0.2126 * red + 0.7152 * green + 0.0722 * blue)
    assert len(lightness) == 3
    assert lightness == sorted(lightness, reverse=True)
    assert min(a - b for a, b in pairwise(lightness)) > 25


def test_bands_differ_by_hatch_and_none_is_green() -> None:
    assert len({hatch for _, hatch in BAND_LOOKS}) == len(BAND_LOOKS)
    assert GREEN not in {color for color, _ in BAND_LOOKS}


def test_it_says_what_it_shows(tmp_path: Path) -> None:
    said = words(chart(), tmp_path)
    assert "Air at by the door (rack-a) on the psychrometric chart" in said
    assert any(text.startswith("at 900 hPa, measured") for text in said)
    assert {"dry-bulb temperature, °C", "humidity ratio, g of water vapour per kg of dry air"} <= set(said)
    assert {"saturation line, 100 % RH", "wet bulb, °C", "50 %"} <= set(said)
    assert "prime asks for 20 to 24 °C, 45 to 65 % RH" in said


def test_hours_without_air_say_so(tmp_path: Path) -> None:
    assert "no air is known for these hours" in words(chart([]), tmp_path)


def test_one_reading_is_enough(tmp_path: Path) -> None:
    said = words(chart(path()[:1]), tmp_path)
    assert "begin" in said


def test_the_same_air_gives_the_same_bytes(tmp_path: Path) -> None:
    first = save(chart(), tmp_path / "one.svg").read_bytes()
    assert first == save(chart(), tmp_path / "two.svg").read_bytes()
    assert first != save(chart(path(end_h=47.0)), tmp_path / "three.svg").read_bytes()


def test_the_axes_hold_the_path_and_the_saturation_line() -> None:
    hot = [AirPoint(hours(0) + timedelta(minutes=n), 38.0 + n / 10, 60.0, 27.0) for n in range(20)]
    axes = chart(hot).axes[0]
    assert axes.get_xlim()[1] > 39.9
    assert axes.get_ylim()[1] > 27.0


def boxes(figure: Figure) -> dict[str, Bbox]:
    """Words to the boxes that the drawing library itself finds around them."""
    FigureCanvasAgg(figure).draw()
    return {text.get_text(): text.get_window_extent() for text in figure.axes[0].texts if text.get_text()}


LONG = ("First prime: zircon slurry, zircon stucco", "Fine coat: fused silica stucco 50x100", "Third", "Fourth coat")


@pytest.mark.parametrize("count", [0, 1, 2, 4])
@pytest.mark.parametrize("days", [1, 7])
def test_the_key_stands_below_the_axes_and_inside_the_sheet(count: int, days: int) -> None:
    coats = [replace(ROOM.coats[0], name=f"c-{place}", label=LONG[place]) for place in range(count)]
    span = Span(hours(0), hours(24 * days), ZONE)
    points = path(24.0 * days)
    figure = draw_psychrometric(ROOM.racks[0], points, coats, span, PRESSURE, "measured")
    FigureCanvasAgg(figure).draw()
    label = figure.axes[0].xaxis.label.get_window_extent()
    keys = [legend.get_window_extent() for legend in figure.legends]
    assert len(keys) == (2 if count else 1)
    for key in keys:
        assert key.y1 < label.y0
        assert key.y0 >= 0
        assert 0 <= key.x0 < key.x1 <= figure.bbox.width
    assert not any(one.overlaps(other) for one, other in combinations(keys, 2))


def test_words_at_the_saturation_line_keep_apart() -> None:
    """The boxes of slanted words are larger than the words, so they say more than enough."""
    found = boxes(chart())
    assert not found["wet bulb, °C"].overlaps(found["saturation line, 100 % RH"])
    bulbs = [box for words, box in found.items() if words.isdigit()]
    assert len(bulbs) > 4
    assert not any(box.overlaps(found["wet bulb, °C"]) for box in bulbs)
