"""The picture of a tank: what it says and where its marks are."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drymon.shop.facts.events import SlurryCheck
from drymon.shop.facts.setup import Tank
from drymon.views.plots.slurry import PANELS, draw_slurry
from drymon.views.plots.style import save
from drymon.views.plots.time_axis import Span

BEGIN = datetime(2031, 1, 6, 7, tzinfo=UTC)
DAYS = 84
TANK = Tank("backup-tank", ("backup",), "Backup tank", "iso-2431-4", (32.0, 38.0), (20.0, 24.0), None, (8.5, 9.5), 0.5)
SPAN = Span(BEGIN, BEGIN + timedelta(days=DAYS), ZoneInfo("UTC"))


def checks() -> list[SlurryCheck]:
    """A tank that thickens over each fortnight and gets water, with a new filling after six weeks."""
    made = []
    for day in range(0, DAYS, 2):
        at = BEGIN + timedelta(days=day, hours=1)
        seconds = 33.0 + 0.5 * (day % 14) + (2.0 if day == 30 else 0.0) - (4.0 if day == 44 else 0.0)
        more = {"fresh": True} if day == 42 else {}
        water = 0.4 if day % 14 == 0 and day else None
        temperature = 22.0 + (day % 6 - 3) * 0.5
        made.append(
            SlurryCheck(
                time=at, arrived=at, slurry="backup-tank", seconds=seconds, temperature=temperature,
                ph=9.3 - 0.006 * day, water_added=water, **more,
            )
        )  # fmt: skip
    return made


@pytest.fixture(scope="module")
def figure() -> Figure:
    return draw_slurry(TANK, checks(), SPAN)


def above(seconds: float) -> bool:
    return seconds > 38.0


def below(seconds: float) -> bool:
    return seconds < 32.0


def words(figure: Figure) -> list[str]:
    inside = [text.get_text() for axes in figure.axes for text in axes.texts]
    return [*(text.get_text() for text in figure.texts), *inside]


def marked(axes: Axes, mark: str) -> int:
    return sum(len(np.atleast_1d(line.get_xdata())) for line in axes.lines if str(line.get_marker()) == mark)


def test_it_says_whose_it_is_and_how_much_water_went_in(figure: Figure) -> None:
    told = words(figure)
    assert "Slurry Backup tank (backup-tank)" in told
    assert "2 L of water added, at the ticks below the cup's line" in told
    assert "new filling" in told
    assert "not measured" in told, "no density was said"
    assert "asked: 32 to 38" in told


def test_what_is_out_of_band_points_where(figure: Figure) -> None:
    seconds = checks()
    thick, thin = (len([one for one in seconds if beyond(one.seconds or 35.0)]) for beyond in (above, below))
    assert (thick, thin) != (0, 0)
    cup = figure.axes[0]
    assert (marked(cup, "^"), marked(cup, "v"), marked(cup, "o")) == (thick, thin, len(seconds) - thick - thin)
    assert marked(cup, "|") == 5
    assert marked(figure.axes[3], "v") == 0


def test_every_panel_holds_its_band_and_its_values(figure: Figure) -> None:
    for panel, axes in zip(PANELS, figure.axes, strict=True):
        low, high = axes.get_ylim()
        band = getattr(TANK, panel.what) or (low, high)
        values = [getattr(check, panel.what) for check in checks() if getattr(check, panel.what) is not None]
        assert low <= min([band[0], *values])
        assert high >= max([band[1], *values])
        assert high - low >= panel.least


def test_seconds_of_another_cup_are_in_no_band() -> None:
    other = SlurryCheck(time=BEGIN, arrived=BEGIN, slurry="backup-tank", seconds=12, cup="astm-d4212-z4")
    assert marked(draw_slurry(TANK, [other], SPAN).axes[0], "o") == 1


def test_the_same_checks_give_the_same_picture(tmp_path: Path, figure: Figure) -> None:
    again = save(draw_slurry(TANK, checks(), SPAN), tmp_path / "again.svg")
    assert save(figure, tmp_path / "once.svg").read_bytes() == again.read_bytes()
