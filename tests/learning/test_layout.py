"""The unknowns of a fit: what each run's own parameters are made of, and their derivatives."""

from dataclasses import replace

import numpy as np
import pytest

from drymon.drying import sorption
from drymon.drying.coat_model import DIP_PARAMETERS, PARAMETERS
from drymon.learning.forward import THETA, fleet_of
from drymon.learning.layout import Layout, Prior
from drymon.messages.coat_models import load_models

HOURS = np.linspace(0.1, 6.0, 20)
DIP_SD, ZONE_SD = np.array([[0.04, 0.05, 0.06], [0.02, 0.07, 0.03]]), 0.2
PRIORS = {name: Prior.of(model) for name, model in load_models(None).items()}


def halving(hours):
    return 0.5**hours


def layout_of(*runs):
    return Layout(fleet_of(runs), PRIORS)


@pytest.fixture
def layout(make):
    dry, damp = (float(sorption.excess(humidity)) for humidity in (25.0, 70.0))
    return layout_of(
        replace(make(halving, HOURS, name="t-1", number=1, coat="prime-fine"), held_below=0.0),
        replace(make(halving, HOURS, name="t-2", number=4, rack="rack-b"), held_below=dry),
        replace(make(halving, HOURS, name="t-3", number=9, shelter="deep"), held_below=damp),
        replace(make(halving, HOURS, name="t-4", number=6, shelter="pocketed", coat="prime-fine"), held_below=dry),
    )


def test_derivatives_are_those_of_the_parameters(layout) -> None:
    at = np.linspace(-0.5, 0.5, layout.size)
    _, slope = layout.theta(at, DIP_SD, ZONE_SD)
    for unknown in range(layout.size):
        step = 1e-5 * np.eye(layout.size)[unknown]
        above, below = (layout.theta(at + sign * step, DIP_SD, ZONE_SD)[0] for sign in (1.0, -1.0))
        np.testing.assert_allclose((above - below) / 2e-5, slope[:, :, unknown], atol=1e-6)


def test_a_coats_own_parameters_move_its_runs_alone_and_the_rooms_move_all(layout) -> None:
    at = np.zeros(layout.size)
    before = layout.theta(at, DIP_SD, ZONE_SD)[0][:, THETA.index("transfer")]
    moved = {}
    for name, place in (
        ("room", layout.room("transfer")),
        ("backup", layout.of_coat(layout.coats.index("backup"), "transfer")),
    ):
        changed = layout.theta(at + np.eye(layout.size)[place], DIP_SD, ZONE_SD)[0][:, THETA.index("transfer")]
        moved[name] = (np.abs(changed - before) > 1e-9).tolist()
    assert moved["room"] == [True] * 4
    assert moved["backup"] == [False, True, True, False]


@pytest.mark.parametrize("name", PARAMETERS)
def test_room_and_coat_together_are_as_unsure_as_the_starting_model(layout, name) -> None:
    """All unknowns are standard: what the room and the coat add to a parameter's variance is the prior's, no more. Of
    the binder's answer to humidity a fit takes less for granted.
    """
    start = load_models(None)["backup"].parameters[name]
    root = layout.root_of(layout.coats.index("backup"))[PARAMETERS.index(name)]
    expected = 0.8 if name == "sorption" else start.sd
    assert float(root @ root) == pytest.approx(expected**2)


def test_what_another_home_has_learnt_of_the_binder_is_kept() -> None:
    start = load_models(None)["backup"]
    place = PARAMETERS.index("sorption")
    learnt = replace(start, runs=9)
    assert Prior.of(learnt).root[place, place] == start.parameters["sorption"].sd
    assert Prior.of(start).root[place, place] > start.parameters["sorption"].sd


def test_a_run_scatters_by_its_own_coats_scatter(layout) -> None:
    at = np.zeros(layout.size)
    before = layout.theta(at, DIP_SD, ZONE_SD)[0]
    for run, coat in enumerate(layout.coat):
        for place, name in enumerate(DIP_PARAMETERS):
            changed = layout.theta(at + np.eye(layout.size)[layout.scatter[run] + place], DIP_SD, ZONE_SD)[0] - before
            assert changed[run, THETA.index(name)] == pytest.approx(DIP_SD[coat, place])
            assert np.count_nonzero(np.abs(changed) > 1e-12) == 1


def test_no_unknown_is_two_things(layout) -> None:
    """Every unknown beyond the room's and the coats' belongs to scatter, areas, pockets or racks, to one of them."""
    places = [layout.scatter + place for place in range(3)]
    places += [
        layout.area,
        layout.share,
        layout.zone,
        layout.depth,
        layout.shelter,
        layout.rack_at,
        np.array([layout.end_at]),
    ]
    used = np.concatenate([np.unique(each[each >= 0]) for each in places])
    assert sorted(used) == list(range(len(PARAMETERS) * (1 + len(layout.coats)), layout.size))


def test_racks_differ_about_the_coats_own_number(layout) -> None:
    """Their factors multiply to one, so that the model's own transfer is that of the racks' mean."""
    at = np.linspace(-1.0, 2.0, layout.size)
    factors = layout.rack_factors(at)
    assert set(factors) == {"rack-a", "rack-b"}
    assert float(np.prod([*factors.values()])) == pytest.approx(1.0)
    assert factors["rack-a"] != pytest.approx(1.0, abs=0.01)


def test_dry_air_before_the_dip_leaves_less_to_lose_and_damp_air_more(make) -> None:
    water, sunk = THETA.index("water"), THETA.index("sunk")
    found = {}
    for humidity in (25.0, 50.0, 70.0):
        own = layout_of(replace(make(halving, HOURS, number=6), held_below=float(sorption.excess(humidity))))
        found[humidity] = own.theta(np.zeros(own.size), DIP_SD[:1], ZONE_SD)[0][0]
    assert found[25.0][water] < found[50.0][water] < found[70.0][water]
    assert found[25.0][sunk] < found[50.0][sunk] < found[70.0][sunk]


def test_a_model_of_another_tail_brings_no_exponent_of_its_own() -> None:
    model = load_models(None)["backup"]
    place = PARAMETERS.index("exponent")
    same, other = Prior.of(model, model.tail), Prior.of(model, "front")
    assert same.mean[place] == pytest.approx(np.log(model.parameters["exponent"].centre))
    assert other.mean[place] < same.mean[place]
    np.testing.assert_array_equal(np.delete(same.mean, place), np.delete(other.mean, place))
