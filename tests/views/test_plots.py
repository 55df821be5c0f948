"""The pictures: what they say, that they are the same each time, and that eyes of all kinds can read them."""

import re
from dataclasses import replace
from datetime import timedelta
from itertools import combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.transforms import Bbox

from drymon.drying import ensemble
from drymon.drying.quantities import Quantity
from drymon.errors import SetupError
from drymon.learning.run import Run, RunAir
from drymon.messages.coat_models import load_models
from drymon.readback.coat_basis import basis_of, counted_words, first_number
from drymon.readback.coat_history import ends_of
from drymon.shop.facts.events import Dip, Leave, Weigh
from drymon.shop.facts.lives import lives_of
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.setup import Band, Recipe
from drymon.views.plots.coat import RunPoints, draw_model, expected, points_of
from drymon.views.plots.rack import draw_rack
from drymon.views.plots.room import draw_room, future_end
from drymon.views.plots.style import BLUE, INK, LOOKS, PLUM, QUIET, RUST, save
from drymon.views.plots.time_axis import Span, x_of
from drymon.views.plots.tree import draw_tree, end_of_picture
from tests.views.invented import EVENTS, ROOM, air, hours, tree_history, verdict

SPAN = Span(hours(0), hours(48), ZoneInfo("Europe/Berlin"))
NOW = hours(41)


def history(tree: str = "t-7", rack: str = "rack-a", shift: float = 0.0):
    return [v for v in tree_history(tree, rack, shift) if v.time <= NOW]


def tree() -> Figure:
    return draw_tree("t-7", history(), EVENTS, ROOM, SPAN, NOW)


def rack() -> Figure:
    return draw_rack(ROOM.racks[0], air(), EVENTS, ROOM, SPAN)


def room() -> Figure:
    trees = {"t-10": history("t-10", "rack-b", 1.5), "t-7": history(), "t-9": history("t-9", "rack-b", 6.2)}
    return draw_room(trees, ROOM, SPAN, NOW)


def words(figure: Figure, folder: Path) -> list[str]:
    """All text of the figure as an SVG file has it."""
    root = ElementTree.parse(save(figure, folder / "picture.svg")).getroot()
    return ["".join(text.itertext()).strip() for text in root.iter("{http://www.w3.org/2000/svg}text")]


def test_a_tree_says_what_when_and_why(tmp_path: Path) -> None:
    said = words(tree(), tmp_path)
    assert "Drying of tree t-7" in said
    assert "Mon 3 Mar 2031, 06:00 to Wed 5 Mar, 06:00 (Europe/Berlin) · as of 23:00" in said
    assert "removable water gone from the slowest part, %" in said
    assert {"drying", "ready", "weighed", "looked: sound", "95 % needed"} <= set(said)
    assert "▾ air unknown" in said
    assert "▾ too fast" in said
    assert any(text.startswith("expected") for text in said)
    assert {"1", "2", "3", "4", "5", "6"} <= set(said)


def test_a_rack_says_its_quantities_bands_dips_and_fans(tmp_path: Path) -> None:
    said = words(rack(), tmp_path)
    assert {"temperature, °C", "relative humidity, %", "air speed, m/s"} <= set(said)
    assert "Air at by the door (rack-a)" in said
    assert {"asked: 20 to 26", "asked: 35 to 55", "fan off", "fan on"} <= set(said)
    assert sum(text.startswith("▾ t-7") for text in said) >= 5


def test_a_quantity_that_is_only_recorded_is_drawn_where_a_sensor_tells_it(tmp_path: Path) -> None:
    room = replace(ROOM, coats=tuple(replace(coat, room=Band(co2_ppm=(300.0, 1400.0))) for coat in ROOM.coats))
    told = {**air(), Quantity.CO2: [(time, 20.0 * value) for time, value in air()[Quantity.HUMIDITY]]}
    figure = draw_rack(room.racks[0], told, EVENTS, room, SPAN)
    assert len(figure.axes) == len(rack().axes) + 1
    said = words(figure, tmp_path)
    assert {"CO2, ppm", "asked: 300 to 1400"} <= set(said)
    assert "CO2, ppm" not in words(rack(), tmp_path)


def test_a_rack_without_anemometer_shows_what_is_assumed(tmp_path: Path) -> None:
    readings = {Quantity.TEMPERATURE: air()[Quantity.TEMPERATURE]}
    said = words(draw_rack(ROOM.racks[1], readings, [], ROOM, SPAN), tmp_path)
    assert "no anemometer: 0.3 to 2 m/s is assumed" in said
    assert "no readings" in said


def test_a_gap_is_drawn_as_a_gap() -> None:
    line = rack().axes[0].lines[0]
    times, values = line.get_xdata(), line.get_ydata()
    missing = [time for time, value in zip(times, values, strict=True) if value != value]
    assert len(missing) == 1
    assert (missing[0] - times[0]) * 24 == pytest.approx(20.0, abs=0.1)  # the invented air stops at 20 h


def test_the_room_has_a_lane_a_tree_in_the_order_people_count(tmp_path: Path) -> None:
    said = words(room(), tmp_path)
    assert "Trees in Shell room" in said
    assert said.index("rack-a") < said.index("t-7") < said.index("rack-b") < said.index("t-9") < said.index("t-10")
    assert "now 23:00" in said
    assert {f"{look.mark} {look.word}" for look in LOOKS.values()} <= set(said)


def test_a_picture_of_the_room_reaches_to_what_is_expected_soon() -> None:
    trees = {"t-7": history()}
    assert future_end(trees, NOW) > max(v.dry_at.late for v in trees["t-7"][-1:])
    assert future_end({"t-7": history()[:1]}, NOW) == NOW


def test_a_model_is_drawn_with_its_runs(tmp_path: Path) -> None:
    model = load_models(None)["backup"]
    run = RunPoints("r-1", "open", [1.0, 3.0, 9.0], [0.4, 0.8, 0.97])
    said = words(draw_model(model, None, [run]), tmp_path)
    assert "Coat model backup" in said
    assert {"open", "pocketed", "deep", "whole tree", "1 weighed run", "no weighed run"} <= set(said)


def test_a_model_says_how_many_trees_are_dry_by_when_to_the_tenth(tmp_path: Path) -> None:
    """By the crossings of the curves that are drawn: half of the trees at the middle one, 19 of 20 at the lower one."""
    model = load_models(None)["backup"]
    figure = draw_model(model)
    said = [text.get_text() for text in figure.axes[0].texts]
    found = next(re.fullmatch(r"half of such trees\nare dry by (\S+) h,\n19 of 20 by (\S+) h", words) for words in said
                 if words.startswith("half"))  # fmt: skip
    assert found is not None
    middle = figure.axes[0].lines[0]
    assert np.interp(95.0, middle.get_ydata(), middle.get_xdata()) == pytest.approx(float(found[1]), abs=0.15)
    assert float(found[1]) < float(found[2])
    assert "." in found[1]
    label = figure.axes[2].get_xlabel()
    assert label == "hours after the dip, in this air"


def test_a_model_is_drawn_as_the_coat_that_the_recipes_make_of_it(tmp_path: Path) -> None:
    room = replace(
        ROOM, recipes=(Recipe("a", ("prime", "backup", "backup")), Recipe("b", ("prime", "prime", "backup")))
    )
    assert [first_number(name, room, 3) for name in ("prime", "backup", "seal")] == [1, 2, 3]
    said = words(draw_model(load_models(None)["prime-first"], None, (), 1), tmp_path)
    assert any("as coat 1 in air of" in text for text in said)


def test_a_coat_without_a_model_of_its_own_is_drawn_by_its_familys(tmp_path: Path) -> None:
    basis = basis_of("prime", ROOM, load_models(None))
    assert basis is not None
    assert (basis.model.name, basis.source, basis.is_own) == ("prime", "prime-first", False)
    said = words(draw_model(basis.model, None, (), 1, basis.source), tmp_path)
    assert "Coat model prime" in said
    assert any(text.startswith("no model of its own yet: goes by the model of prime-first") for text in said)
    assert basis_of("mud", ROOM, load_models(None)) is None
    own = basis_of("backup", ROOM, load_models(None))
    assert own is not None
    assert own.is_own


def test_a_usual_wait_that_is_counted_is_said_and_drawn(tmp_path: Path) -> None:
    """Of a coat's own starting model and of its family's; a fitted one has runs and says nothing of it."""
    coats = tuple(replace(coat, usual_wait_h=2.5) for coat in ROOM.coats)
    models, room = load_models(None), replace(ROOM, coats=coats)
    for name, told in (
        ("backup", "starting model, from published ranges"),
        ("prime", "goes by the model of prime-first"),
    ):
        basis = basis_of(name, room, models)
        assert basis is not None
        assert basis.source == {"backup": "backup", "prime": "prime-first"}[name]
        said = words(draw_model(basis.model, None, (), 1, basis.source), tmp_path)
        assert any(told in text and "; the usual wait of 2.5 h is counted · as coat 1" in text for text in said)
    fitted = replace(models["backup"], runs=4)
    own = basis_of("backup", room, {**models, "backup": fitted})
    assert own is not None
    assert (own.model, counted_words(own.model)) == (fitted, "")
    assert counted_words(replace(fitted, counted=("a", "b"))) == "a and b are counted"


def test_no_weighing_is_cut_off_below_zero() -> None:
    model = load_models(None)["backup"]
    axes = draw_model(model, None, [RunPoints("r-1", "open", [0.3, 3.0, 9.0], [-0.12, 0.8, 1.07])]).axes[0]
    assert axes.get_ylim()[0] < -12
    assert axes.get_ylim()[1] > 107


def drawn(figure: Figure) -> list[tuple[str, Bbox]]:
    """All words and the boxes that the drawing library finds around them."""
    FigureCanvasAgg(figure).draw()
    texts = [*figure.texts, *(text for axes in figure.axes for text in axes.texts)]
    return [(text.get_text(), text.get_window_extent()) for text in texts if text.get_text().strip()]


LONG = ("a" * 39 + "x", "a" * 39 + "y", "gear-housing-left-hand-wing-of-may-no-07", "m" * 40, "t-7")


def test_names_of_forty_letters_are_whole_and_inside_the_sheet() -> None:
    """A name may have 40 letters (docs/messages.md); two that differ in the last one must be told apart."""
    trees = {name: history(name, "rack-b") for name in LONG}
    figure = draw_room(trees, ROOM, SPAN, NOW)
    found = drawn(figure)
    assert {words.replace("\n", "") for words, _ in found} >= set(LONG)
    outside = [words for words, box in found if box.x0 < 0 or box.x1 > figure.bbox.width]
    assert outside == []
    lanes = [box for words, box in found if words.replace("\n", "") in LONG]
    assert all(box.x1 < figure.axes[0].get_window_extent().x0 for box in lanes)
    assert not any(one.overlaps(other) for one, other in combinations(lanes, 2))


def test_a_long_coats_name_beside_its_lane_is_inside_the_sheet() -> None:
    named = [replace(verdict, coat="backup-" + "m" * 33) for verdict in history()]
    figure = draw_room({"t-7": named}, ROOM, SPAN, NOW)
    found = [(words, box) for words, box in drawn(figure) if "mmm" in words]
    assert len(found) == 1
    assert found[0][1].x1 <= figure.bbox.width


def ends(figure: Figure) -> float:
    """Where the last block of state ends, in hours since the beginning."""
    blocks = [patch for patch in figure.axes[-1].patches if isinstance(patch, Rectangle)]
    return (max(block.get_x() + block.get_width() for block in blocks) - x_of(hours(0))) * 24


def test_a_tree_that_left_is_drawn_until_it_left(tmp_path: Path) -> None:
    """It left at 20 h, while its third coat was on top; valid for a quarter of an hour after its last verdict."""
    told = [verdict for verdict in history() if verdict.time < hours(20)]
    leave = Leave(time=hours(20), arrived=hours(20), tree="t-7")
    log = [event for event in EVENTS if event.time < hours(20)] + [leave]
    gone = draw_tree("t-7", told, log, ROOM, SPAN, NOW)
    assert ends(gone) == pytest.approx(20.0)
    assert ends(draw_tree("t-7", told, log[:-1], ROOM, SPAN, NOW)) == pytest.approx(41.0)
    until = ends_of(lives_of(log, NOW))
    room = draw_room({"t-7": told}, ROOM, SPAN, NOW, until)
    assert ends(room) == pytest.approx(20.0)
    assert "backup 3\nleft 02:00" in [text for text, _ in drawn(room)], "01:00 UTC in winter"
    assert ends(draw_room({"t-7": told}, ROOM, SPAN, NOW)) == pytest.approx(41.0)
    assert end_of_picture(lives_of(log, NOW)[0], told, NOW) == hours(20.5)


def short_lived(hour: float, count: int = 8) -> list[Verdict]:
    """Coats that follow each other every `hour`: names that would not fit between two of them."""
    kinds = ["prime", "backup-with-fibre", "prime", *["backup"] * (count - 3)]
    return [
        verdict("t-7", n * hour, n * hour + step / 12, n + 1, coat=kind)
        for n, kind in enumerate(kinds) for step in range(int(hour * 12))
    ]  # fmt: skip


@pytest.mark.parametrize("hour", [0.5, 1.0, 4.0])
def test_every_run_of_equal_coats_is_named_and_no_name_runs_over_another(hour: float) -> None:
    told = short_lived(hour)
    events = [Dip(time=v.dipped_at, arrived=v.dipped_at, tree="t-7", rack="rack-a", coat=v.coat, number=v.number)
              for v in told]  # fmt: skip
    figure = draw_tree("t-7", told, events[-1:], ROOM, SPAN, hours(40))
    names = [(words, box) for words, box in drawn(figure) if words in ("prime", "backup-with-fibre", "backup")]
    assert [words for words, _ in names] == ["prime", "backup-with-fibre", "prime", "backup"]
    numbers = [(words, box) for words, box in drawn(figure) if words in "12345678"]
    heads = [(words, box) for words, box in drawn(figure) if words.startswith(("Drying", "Mon 3 Mar 2031", "bounds"))]
    for (one, first), (other, second) in combinations([*names, *heads], 2):
        assert not first.overlaps(second), (one, other)
    assert not any(box.overlaps(badge) for _, box in names for _, badge in numbers)


def test_when_coats_were_ready_is_told_of_three_in_a_day_without_one_over_another() -> None:
    """A span of five days, dips five hours apart: as a picture of a week has them."""
    told = [
        verdict("t-7", n * 5.0, n * 5.0 + step / 4, n + 1, State.READY if step > 14 else State.DRYING)
        for n in range(3) for step in range(20)
    ]  # fmt: skip
    figure = draw_tree("t-7", told, EVENTS[:1], ROOM, Span(hours(0), hours(120), ZoneInfo("Europe/Berlin")), hours(15))
    ready = [box for words, box in drawn(figure) if words.startswith("✔")]
    assert len(ready) == 3
    assert not any(one.overlaps(other) for one, other in combinations(ready, 2))


@pytest.mark.parametrize("gap_h", [0.1, 0.5, 3.0])
def test_that_a_tree_was_weighed_is_said_once_and_inside_the_frame(gap_h: float) -> None:
    weighed = [Weigh(time=hours(47.9 - gap_h * n), arrived=hours(47), tree="t-7", mass=4.0) for n in range(14)]
    figure = draw_tree("t-7", history(), [*EVENTS[:6], *weighed[::-1]], ROOM, SPAN, NOW)
    words = [box for text, box in drawn(figure) if text == "weighed"]
    assert len(words) == 1
    frame = figure.axes[0].get_window_extent()
    assert frame.x0 <= words[0].x0 < words[0].x1 <= frame.x1


@pytest.mark.parametrize("draw", [tree, rack, room])
@pytest.mark.parametrize("ending", ["svg", "pdf", "png"])
def test_the_same_data_give_the_same_bytes(draw, ending: str, tmp_path: Path) -> None:
    first = save(draw(), tmp_path / f"one.{ending}").read_bytes()
    assert first == save(draw(), tmp_path / f"two.{ending}").read_bytes()
    assert len(first) > 10_000
    assert not re.search(rb"<dc:date>|CreationDate", first)


def test_another_ending_is_refused_with_what_is_allowed(tmp_path: Path) -> None:
    with pytest.raises(SetupError, match=r"picture\.bmp.*\.svg, \.png, \.pdf"):
        save(room(), tmp_path / "picture.bmp")


def luminance(color: str) -> float:
    """Relative luminance, WCAG 2.2, definition of the same name (w3.org/TR/WCAG22/#dfn-relative-luminance)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(color)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2 (w3.org/TR/WCAG22/#dfn-contrast-ratio)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("color", [INK, QUIET, BLUE, PLUM, RUST])
def test_text_on_paper_has_the_contrast_that_wcag_asks_of_text(color: str) -> None:
    assert contrast(color, "#ffffff") >= 4.5  # WCAG 2.2, success criterion 1.4.3


@pytest.mark.parametrize("look", LOOKS.values(), ids=[state.value for state in LOOKS])
def test_a_states_word_can_be_read_on_its_fill(look) -> None:
    assert contrast(look.text, look.fill) >= 4.5  # WCAG 2.2, success criterion 1.4.3


def test_states_differ_without_colour() -> None:
    """By hatch, or by lightness: L* at least 15 apart (CIE 1976; what is clearly told apart: from memory)."""
    lightness = {state: 116 * luminance(look.fill) ** (1 / 3) - 16 for state, look in LOOKS.items()}
    for one, other in combinations(State, 2):
        if LOOKS[one].hatch == LOOKS[other].hatch:
            assert abs(lightness[one] - lightness[other]) > 15, (one, other)
    assert len({look.mark for look in LOOKS.values()}) == len(State)


def test_ticks_keep_local_hours_over_the_change_to_summer_time() -> None:
    """In the EU clocks go forward on the last Sunday of March (Directive 2000/84/EC): 30 March 2031."""
    from datetime import UTC, datetime

    span = Span(datetime(2031, 3, 29, 12, tzinfo=UTC), datetime(2031, 3, 31, 12, tzinfo=UTC), ZoneInfo("Europe/Berlin"))
    figure = draw_rack(ROOM.racks[0], {}, [], ROOM, span)
    labels = [label.get_text().split("\n")[0] for label in figure.axes[-1].get_xticklabels()]
    assert labels[:8] == ["18:00", "00:00", "06:00", "12:00", "18:00", "00:00", "06:00", "12:00"]


@pytest.mark.parametrize("days", [1, 2, 3, 7])
@pytest.mark.parametrize("first", [0, 9, 12, 14, 16, 18])
def test_no_day_is_written_over_another(first: float, days: int) -> None:
    """By the boxes that the drawing library itself finds around the words."""
    begin = hours(first)
    span = Span(begin, begin + timedelta(days=days), ZoneInfo("Europe/Berlin"))
    figure = draw_rack(ROOM.racks[0], {}, [], ROOM, span)
    FigureCanvasAgg(figure).draw()
    lowest = figure.axes[-1]
    named = [text for text in (*lowest.get_xticklabels(), *lowest.texts) if " Mar" in text.get_text()]
    assert len(named) >= days
    assert len({text.get_text().split("\n")[-1] for text in named}) == len(named), "each day once"
    boxes = sorted((text.get_window_extent() for text in named), key=lambda box: box.x0)
    assert all(one.x1 < other.x0 for one, other in pairwise(boxes))


def test_a_runs_hours_are_those_of_the_reference_air() -> None:
    """In air of half the reference's drive, two hours count as one; every run ends on the curve of its whole tree."""
    model, steady = load_models(None)["backup"], np.ones(4)
    reference = ensemble.REFERENCE_AIR
    air_of_run = RunAir(np.array([0.0, 3600, 7200, 10800, 14400]), 0.5 * reference.deficit * steady, steady,
                        0.0 * steady, reference.resistance * steady, 22 * steady, 50 * steady, steady,
                        steady > 0)  # fmt: skip
    times = np.array([0.0, 7200.0, 14400.0])
    run = Run("r", "t", "backup", 3, "open", "rack-a", 0.0, times, np.array([2.0, 1.6, 1.5]), steady[:3], air_of_run)
    points = points_of(run, model)
    assert points is not None
    assert list(points.hours) == pytest.approx([0.0, 1.0, 2.0])
    grid, *_, whole = expected(model, "open")
    assert points.gone[0] == 0.0
    assert points.gone[1] / points.gone[2] == pytest.approx(0.4 / 0.5)
    assert points.gone[2] == pytest.approx(float(np.interp(2.0, grid, whole)))
    assert points_of(replace(run, masses_kg=np.array([1.5, 1.6, 1.7])), model) is None
