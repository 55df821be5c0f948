"""What a cup was taken to do to a dip's water, in words."""

from dataclasses import replace

import pytest

from drymon.drying.coat_model import Spread
from drymon.messages.coat_models import load_models
from drymon.readback.thick_words import dipped_words, power_words
from drymon.shop.facts.tank_log import Thickness

POWER = Spread(0.5, 0.1)
BACKUP = load_models(None)["backup"]


@pytest.mark.parametrize(
    ("log", "told"),
    [
        (0.4, "about 22 % more water counted (14 to 30 %)"),
        (-0.4, "about 18 % less water counted (13 to 23 %)"),
        (0.0, "water as usual"),
    ],
)
def test_of_a_dip(log: float, told: str) -> None:
    """e^0.2 is 1.221, e^-0.2 0.819; the bounds by powers of 0.3355 and 0.6645: 1.144, 1.304, 0.874 and 0.767."""
    head = "dipped in tank-1 at 52 s of its cup, the middle of its band is 40 s: "
    assert dipped_words(Thickness("tank-1", 52.0, (35.0, 45.0), log), POWER) == head + told


def test_bounds_may_reach_beyond_nothing() -> None:
    words = dipped_words(Thickness("tank-1", 52.0, (35.0, 45.0), 0.4), Spread(0.1, 0.2))
    assert words.endswith("about 4 % more water counted (-9 to 19 %)")


def test_of_a_coat_whether_it_was_learnt() -> None:
    head = "slurry half as thick again: about "
    assumed, learnt = power_words(BACKUP), power_words(replace(BACKUP, slurry_power=POWER))
    assert assumed == head + "18 % more water counted (0 to 39 %); assumed, for no run was dipped by a cup"
    assert learnt == head + "22 % more water counted (15 to 31 %); as its runs say"
