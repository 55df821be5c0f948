"""What a model is made of beside the estimate's own numbers; figures are those that learning takes for granted."""

from dataclasses import replace

import numpy as np
import pytest

from drymon.drying.coat_model import DIP_PARAMETERS, PARAMETERS
from drymon.learning.estimate import estimate_at
from drymon.learning.estimated_model import model_of, told
from drymon.learning.layout import Prior
from drymon.learning.problem import Problem
from drymon.messages.coat_models import load_models
from tests.learning.made_up_air import steady_air

BACKUP = load_models(None)["backup"]
HOURS = np.linspace(0.1, 6.0, 24)


def exponential(hours):
    return np.exp(-hours / 1.2)


def runs_of(make, shelters, **kind):
    return [
        make(exponential, HOURS, name=f"t-{i}", seed=i, shelter=shelter, **kind) for i, shelter in enumerate(shelters)
    ]


def certain(make, shelters, zone_sd=0.3, dip_sd=(0.1, 0.2, 0.05)):
    """A model from an estimate that knows every number of the coat, but for how trees and dips scatter."""
    runs = runs_of(make, shelters)
    problem = Problem(runs, {"backup": Prior.of(BACKUP)}, "power")
    problem.zone_sd = zone_sd
    problem.dip_sd[:] = dip_sd
    at = np.zeros(problem.layout.size)
    return model_of(BACKUP, estimate_at(problem, at, 1e-12 * np.eye(len(at))), runs)


@pytest.mark.parametrize(
    ("shelters", "unsure"),
    [
        (["open"] * 3, set()),
        (["open", "pocketed"], {"pocketed"}),
        (["open", "deep"], {"pocketed", "deep"}),
    ],
)
def test_what_trees_and_few_runs_leave_open(make, shelters, unsure) -> None:
    """Zones scatter by 0.3 here, their shares by a quarter on the logit; a coat's pace by 0.8 over its runs and one. A
    deep tree has pockets as well; of zones that nobody weighed nothing is added.
    """
    model = certain(make, shelters)
    expected = dict.fromkeys(PARAMETERS, 0.0) | {"pace": 0.8 / (1 + len(shelters))}
    for name in unsure:
        expected |= {name: 0.3, f"{name}_share": 0.25}
    assert {name: spread.sd for name, spread in model.parameters.items()} == pytest.approx(expected, abs=2e-5)
    np.testing.assert_allclose(np.diag(np.array(model.correlation)), 1.0)


@pytest.mark.parametrize("count", [1, 4])
def test_the_starts_scatter_between_dips_counts_as_one_run_more(make, count) -> None:
    model = certain(make, ["open"] * count)
    for name, own in zip(DIP_PARAMETERS, (0.1, 0.2, 0.05), strict=True):
        assert model.dip_sd[name] ** 2 * (count + 1) == pytest.approx(BACKUP.dip_sd[name] ** 2 + count * own**2)
    assert (model.runs, model.run_ids) == (count, tuple(f"t-{i}.1" for i in range(count)))


def test_a_rack_alone_says_nothing_of_its_factor(make) -> None:
    one = runs_of(make, ["open"])
    two = [*one, make(exponential, HOURS, name="t-9", rack="rack-b", seed=9)]
    for runs, racks in ((one, {"elsewhere"}), (two, {"elsewhere", "rack-a", "rack-b"})):
        problem = Problem(runs, {"backup": Prior.of(BACKUP)}, "power")
        estimate = estimate_at(problem, np.zeros(problem.layout.size))
        assert set(model_of(replace(BACKUP, racks={"elsewhere": 1.1}), estimate, runs).racks) == racks


def test_a_model_speaks_for_the_air_that_was_weighed_and_a_margin(make) -> None:
    """3 K, ten points of humidity, half as much and 0.1 m/s beyond; none of them below nothing; coats as its start."""
    runs = [
        make(exponential, HOURS, name=f"t-{i}", air=steady_air(361, temperature=t, humidity=h, speed=v))
        for i, (t, h, v) in enumerate([(18.0, 8.0, 0.12), (26.0, 60.0, 2.0)])
    ]
    problem = Problem(runs, {"backup": Prior.of(BACKUP)}, "power")
    model = model_of(BACKUP, estimate_at(problem, np.zeros(problem.layout.size)), runs)
    assert model.seen["number"] == BACKUP.seen["number"]
    assert model.seen["temperature_c"] == pytest.approx((15.0, 29.0))
    assert model.seen["humidity_pct"] == pytest.approx((0.0, 70.0))
    assert model.seen["airflow_m_per_s"] == pytest.approx((0.0, 3.1))


def test_what_a_start_had_learnt_elsewhere_stays_learnt_without_runs_of_ones_own(make) -> None:
    elsewhere = replace(BACKUP, runs=24, tail_learned=True, shelters_learned=("open", "deep"))
    nothing = told(elsewhere, elsewhere, [], [], [], 0, "")
    assert (nothing.tail_learned, nothing.shelters_learned) == (True, ("open", "deep"))
    early = told(elsewhere, elsewhere, runs_of(make, ["open"]), [0.5], [], 1, "")
    assert early.tail_learned, "of another home's runs, and these say nothing of it"
    starting = replace(BACKUP, tail_learned=True)
    assert starting.is_starting_model
    assert not told(starting, starting, runs_of(make, ["open"]), [0.5], [], 1, "").tail_learned
