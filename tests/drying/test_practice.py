"""What the trade's hours make of the starting models. Common practice, no source, but for one published bar."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from drymon.drying import coat, dips, ensemble, surface
from drymon.drying.coat_model import CoatModel
from drymon.drying.practice import counted
from drymon.messages.coat_models import load_models

WIDE = {name: replace(model, trade_hours=True) for name, model in load_models(None).items()}
NAMES = sorted(WIDE)
NUMBERS = {"backup": 6, "seal": 10}
"""Of which coat the hours are told; 1 where none is named."""


def hours(model: CoatModel, number: int, shelter: str = "open", speed: float = 0.6) -> np.ndarray:
    """Hours until a tree's slowest part is dry, sorted: 22 degC, 50 %RH."""
    air = ensemble.air_step(22.0, 50.0, surface.transfer_coefficients(np.array(speed), 22.0, 101_325.0), 101_325.0)
    coats = dips.possible_coats(model, number, shelter)
    return np.sort(coat.steady_seconds(coats, 0.05, air) / 3600.0)


def test_most_backups_take_what_people_wait_and_nearly_all_a_little_more_or_less() -> None:
    """People wait 2 to 6 h (common practice, no source), until the edges are dry too."""
    times = hours(counted(WIDE["backup"]), 6)
    assert np.mean((times > 2.0) & (times < 6.0)) > 0.75
    assert np.mean((times > 1.4) & (times < 9.0)) > 0.95
    assert 2.9 < np.median(times) < 4.1


def test_the_published_bar_is_well_inside() -> None:
    """Guerra and Dooley, INCAST, June 2020: a backup coat on a bar dry at about 3 h, 21 degC, 47 %RH, 0.6 m/s."""
    times = hours(counted(WIDE["backup"]), 4)
    assert np.quantile(times, 0.2) < 3.0 < np.quantile(times, 0.6)


@pytest.mark.parametrize("name", NAMES)
def test_bounds_narrow_on_both_sides(name: str) -> None:
    number = NUMBERS.get(name, 1)
    before, after = hours(WIDE[name], number), hours(counted(WIDE[name]), number)
    assert np.quantile(after, 0.95) < 0.95 * np.quantile(before, 0.95)
    assert np.quantile(after, 0.05) > np.quantile(before, 0.05)


@pytest.mark.parametrize("name", NAMES)
def test_parameters_keep_nearly_all_of_their_ranges_and_stay_together(name: str) -> None:
    """It is their mixture that is narrowed: each alone may still be what it was."""
    wide, narrow = WIDE[name], counted(WIDE[name])
    matrix = np.asarray(narrow.correlation)
    assert np.linalg.eigvalsh(matrix).min() > 0.0
    assert np.diag(matrix) == pytest.approx(1.0)
    assert np.abs(matrix - np.eye(len(matrix))).max() > 0.1
    for parameter, spread in wide.parameters.items():
        assert narrow.parameters[parameter].sd > 0.7 * spread.sd, parameter


@pytest.mark.parametrize("name", NAMES)
def test_pockets_may_be_hardly_slower_and_several_times_as_slow(name: str) -> None:
    model = counted(WIDE[name])
    open_, pocketed, deep = (hours(model, 5, shelter) for shelter in ("open", "pocketed", "deep"))
    for quicker, slower in itertools.pairwise((open_, pocketed, deep)):
        assert np.median(slower) > 1.3 * np.median(quicker)
    assert np.quantile(pocketed, 0.05) < 1.3 * np.quantile(open_, 0.4)
    assert np.quantile(deep, 0.95) > 8.0 * np.median(open_)


def test_what_was_learnt_is_left_as_it_is() -> None:
    learnt = replace(WIDE["backup"], runs=3)
    assert counted(learnt) is learnt


def test_what_was_left_out_is_said() -> None:
    narrow = counted(WIDE["backup"])
    assert narrow.origin.startswith(WIDE["backup"].origin)
    assert "2.0 to 6.1 h" in narrow.origin
    assert narrow.counted == ()


def test_what_another_coat_of_this_shop_has_taught_is_no_range_of_all_shops() -> None:
    told = replace(WIDE["backup"], trade_hours=False)
    assert counted(told) is told
