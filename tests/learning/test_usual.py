"""What a coat takes in its usual air, against the weighings that it was fitted to."""

import numpy as np
import pytest

from drymon.drying.edges import EDGES
from drymon.learning.fit import fit_all
from drymon.learning.usual import usual
from drymon.messages.coat_models import load_models

STARTS = load_models(None)
HOURS = np.linspace(0.1, 7.0, 20)


def runs_of(make, number=3, shelter="open", count=3, **more):
    return [
        make(lambda h: np.exp(-h / 1.2), HOURS, name=f"{shelter}-{number}-{i}", seed=i, number=number, shelter=shelter,
             start_s=9e4 * i, **more)
        for i in range(count)
    ]  # fmt: skip


@pytest.fixture
def model(make):
    return fit_all(runs_of(make), STARTS)[0].model


def test_it_is_the_time_of_the_runs_and_a_margin(make, model) -> None:
    """Of an exponential of 1.2 h 95 % is gone after 1.2 ln 20 = 3.6 h, in the runs' own air; edges come later."""
    found = usual(model, runs_of(make), 0.95, EDGES["even"])
    assert found.best_h == pytest.approx(1.2 * np.log(20.0), rel=0.1)
    assert 1.05 * found.best_h < found.sure_h < 2.0 * found.best_h
    assert (found.temperature_c, found.humidity_pct, found.speed) == pytest.approx((21.0, 47.5, 0.6), rel=1e-6)


def test_thick_edges_and_a_later_mark_take_longer(make, model) -> None:
    runs = runs_of(make)
    even, thick = (usual(model, runs, 0.95, EDGES[name]) for name in ("even", "thick"))
    earlier = usual(model, runs, 0.85, EDGES["even"])
    assert earlier.best_h < even.best_h < thick.best_h
    assert thick.best_h / even.best_h == pytest.approx(1.5, abs=0.15)


def test_the_commonest_kind_of_tree_and_number_are_told(make, model) -> None:
    few = runs_of(make, number=2, shelter="pocketed", count=2)
    runs = [*runs_of(make, number=5, count=3), *runs_of(make, number=7, count=1), *few]
    found = usual(model, runs, 0.95, EDGES["usual"])
    assert (found.number, found.shelter) == (5, "open")
    assert usual(model, few, 0.95, EDGES["usual"]).shelter == "pocketed"
    assert usual(model, few, 0.95, EDGES["usual"]).best_h > found.best_h


def test_air_that_never_gets_it_there_is_told_as_such(make, model) -> None:
    """Nearly saturated air: the binder holds more than 5 % of the water."""
    from tests.learning.made_up_air import steady_air

    damp = [*runs_of(make, air=steady_air(600, humidity=97.0))]
    assert usual(model, damp, 0.95, EDGES["usual"]).sure_h == np.inf
