"""What the weighings of one coat say together: when they are believed, when they contradict the air, what stays."""

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from drymon.drying import dips
from drymon.drying.ensemble import CoatState
from drymon.drying.weight_evidence import AreaPrior
from drymon.shop.facts.events import CellMass, Weigh
from drymon.shop.weight.scale import weighed
from drymon.shop.weight.weighings import ANY_AREA, Series, Weighings, area_expected
from tests.shop.invented_shop import BEGIN, MODELS

COATS = dips.possible_coats(MODELS["middle"], 1, "open")
FRESH = CoatState.fresh(len(COATS.zones))
HELD = float(FRESH.weights @ COATS.of_tree(COATS.water))
"""kg/m2 of a fresh coat, in the middle of what is possible."""


def taken(
    masses: Sequence[float], left: Sequence[float], seen: Weighings | None = None, cell: bool = False, sd: float = 1e-3
) -> list[Weighings]:
    """The record after each weighing, an hour apart from the first hour on; by the air so much is left then."""
    found = [seen or Weighings()]
    for place, (kg, share) in enumerate(zip(masses, left, strict=True), 1):
        stamp = BEGIN + timedelta(hours=place)
        event: CellMass | Weigh = Weigh(time=stamp, arrived=stamp, tree="t-1", mass=kg)
        if cell:
            event = CellMass(time=stamp, arrived=stamp, tree="t-1", mass=kg, sd=sd)
        water = replace(FRESH, left=np.full_like(FRESH.left, share))
        found.append(weighed(found[-1], COATS, water, event, BEGIN.timestamp(), 0.01)[0])
    return found[1:]


def falling(count: int, area_m2: float = 0.4) -> tuple[np.ndarray, np.ndarray]:
    """Masses of a tree that loses what the air takes, and the share that is left."""
    left = np.exp(-np.arange(1, count + 1) / 4.0)
    return 3.00137 + area_m2 * HELD * left, left


@pytest.mark.parametrize(
    ("count", "grams", "believed"),
    [(4, 3.0, False), (8, 1.8, True), (8, 4.0, False), (14, 1.8, True), (14, 4.0, False)],
)
def test_weighings_may_scatter_by_twice_their_error_however_many_they_are(
    count: int, grams: float, believed: bool
) -> None:
    """A hand weighing's error is a gram."""
    masses, left = falling(count)
    zigzag = 0.001 * grams * (-1.0) ** np.arange(count)
    assert (taken(masses + zigzag, left)[-1].disagrees == 0.0) is believed


def test_on_a_bench_scale_of_tenths_of_a_gram_a_small_piece_may_lose_less_than_a_gram() -> None:
    """A cell's zero walks, so that there it must be a gram; a dead scale is doubted though its area would do."""
    left = np.array([0.9, 0.6, 0.3, 0.1])
    masses = np.round(0.05 + 0.001 * left, 4)
    area = AreaPrior(0.01, 0.9)
    assert taken(masses, left, Weighings(area=area))[-1].disagrees == 0.0
    seen = taken(masses, left, Weighings(area=area), cell=True, sd=2e-4)[-1]
    assert (seen.disagrees, seen.cell_disagrees) == (9.0, True)


def test_a_large_tree_that_loses_a_fifth_of_what_such_a_tree_must_is_another_or_the_cell_is_wrong() -> None:
    """Though its curve is right. Of 4 m2, known within 30 %; one that loses as it should is believed."""
    left = falling(14)[1]
    known = Weighings(area=AreaPrior(4.0, 0.3))
    for area, believed in ((4.0, True), (0.8, False)):
        assert (taken(falling(14, area)[0], left, known, cell=True)[-1].disagrees == 0.0) is believed


def test_of_two_scales_that_contradict_the_worse_one_counts() -> None:
    """A dead cell, and hand weighings that go up and down by twenty grams."""
    masses, left = falling(6)
    dead = taken(np.full(6, 3.0), left, cell=True)[-1]
    assert dead.disagrees == 9.0
    both = taken(masses + 0.02 * (-1.0) ** np.arange(6), left, dead)[-1]
    assert both.disagrees > 9.0
    assert both.cell_disagrees


def test_a_cells_weighings_stand_apart_by_a_share_of_the_time_since_the_first() -> None:
    """Ten minutes are too little at 8000 s after it, though they were enough when they were weighed."""
    seen = Weighings()
    for seconds in (300.0, 3600.0, 4200.0, 8300.0):
        stamp = BEGIN + timedelta(seconds=seconds)
        event = CellMass(time=stamp, arrived=stamp, tree="t-1", mass=3.0, sd=1e-3)
        seen = weighed(seen, COATS, FRESH, event, BEGIN.timestamp(), 0.01)[0]
    assert [at - BEGIN.timestamp() for at in seen.cell.times] == [300.0, 3600.0, 8300.0]


def test_the_first_weighing_that_contradicts_is_one_in_a_row_and_one_that_agrees_ends_the_row() -> None:
    """A tree that has lost nothing by its cell, and then all at once what it should have."""
    masses, left = falling(6)
    masses[:5] = masses[0] + 0.001
    seen = taken(masses, left, cell=True, sd=0.005)
    assert [one.in_a_row for one in seen] == [0, 0, 0, 1, 2, 0]
    assert [one.contradict for one in seen[3:]] == [False, True, False]


def test_a_witness_is_a_tile_or_a_bar() -> None:
    """From a decimetre square to 25 by 40 cm on both sides, within twice the spread; a tree is of other sizes."""
    expected = area_expected("witness-7")
    for area in (0.01, 0.20):
        assert abs(math.log(area / float(expected.median_m2))) < 2.0 * float(expected.log_sd)
    assert (expected.median_m2, expected.log_sd) == (0.05, 0.9)
    assert area_expected("t-7") == area_expected("the-witness") == ANY_AREA


def test_what_a_coat_has_told_goes_along_to_another_cell_and_no_more() -> None:
    masses, left = falling(4)
    before = replace(taken(masses, left, cell=True)[-1], gained_kg=0.3, met=0.02)
    weights = np.full(len(FRESH.weights), 1.0 / len(FRESH.weights))
    moved = before.elsewhere(weights)
    assert (moved.cell, moved.bench, moved.disagrees, moved.in_a_row) == (Series(), Series(), 0.0, 0)
    assert moved.prior is weights
    assert (moved.area, moved.area_m2, moved.learnt) == (before.area, before.area_m2, before.learnt)
    assert moved.gained_kg == 0.3
    assert moved.met == pytest.approx(float(left[0]) * HELD, rel=0.05)
