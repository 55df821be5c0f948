"""At which weighing a run is judged: where the least is left that is plain to see; curves are exponentials."""

import numpy as np
import pytest

from drymon.learning.estimate import fit_room
from drymon.learning.forecast_scores import ended, taken
from drymon.learning.layout import Prior
from drymon.messages.coat_models import load_models

STARTS = load_models(None)
TAU_H = 1.2


def left_at(hours):
    return np.exp(-hours / TAU_H)


def estimate_of(make, hours, sd_kg=0.0001, **kind):
    runs = [make(left_at, hours, name=f"t-{i}", seed=i, sd_kg=sd_kg, **kind) for i in range(3)]
    return fit_room(runs, {"backup": Prior.of(STARTS["backup"])}, "power")


@pytest.mark.parametrize("last_h", [2.0, 3.5, 6.0])
def test_on_a_good_scale_it_is_the_last_that_has_a_twentieth_left(make, last_h) -> None:
    hours = np.linspace(0.1, last_h, 24)
    expected = hours[left_at(hours) > 0.055][-1]
    for left, at, unsure in taken(estimate_of(make, hours)):
        assert at == pytest.approx(expected, abs=0.3)
        assert left == pytest.approx(left_at(at), abs=0.06)
        assert left >= 0.05
        assert 0.0 < unsure < 0.07


def test_on_a_bad_scale_it_is_an_early_one_and_less_sure(make) -> None:
    """Of 100 g lost: at two hours an error of a gram moves the moment by 4 % of it, at five by 60; with 12 g it is
    plainest where the mass falls fastest on the log of time, after 1.2 h.
    """
    hours = np.linspace(0.1, 8.0, 24)
    good, rough, bad = (taken(estimate_of(make, hours, sd)) for sd in (0.0001, 0.002, 0.012))
    assert min(at for _, at, _ in good) > 3.0
    assert min(at for _, at, _ in bad) < 1.5
    unsure = [max(share for *_, share in found) for found in (good, rough, bad)]
    assert unsure[0] < unsure[1] < 0.07 < unsure[2] <= 0.35


@pytest.mark.parametrize("shelter", ["open", "deep"])
def test_how_much_is_left_at_the_end(make, shelter) -> None:
    """Open trees as their masses say; a deep one has more in its pockets than on the whole."""
    hours = np.linspace(0.1, 2.5, 24)
    for found in ended(estimate_of(make, hours, shelter=shelter)):
        if shelter == "open":
            assert found == pytest.approx(left_at(2.5), abs=0.05)
        else:
            assert found > left_at(2.5) + 0.05
