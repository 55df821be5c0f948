"""The unknowns of a fit: what each run's own parameters are made of, and their derivatives."""

from dataclasses import replace

import numpy as np
import pytest

from drymon.drying import sorption
from drymon.learning.forward import THETA, fleet_of
from drymon.learning.layout import Layout, Prior
from drymon.messages.coat_models import load_models

HOURS = np.linspace(0.1, 6.0, 20)
DIP_SD, ZONE_SD = np.array([0.04, 0.05, 0.06]), 0.2


def halving(hours):
    return 0.5**hours


@pytest.fixture
def layout(make):
    runs = [
        replace(make(halving, HOURS, name="t-1", number=1), held_below=0.0),
        replace(make(halving, HOURS, name="t-2", number=4, rack="rack-b"), held_below=float(sorption.excess(25.0))),
        replace(make(halving, HOURS, name="t-3", number=9, shelter="deep"), held_below=float(sorption.excess(70.0))),
    ]
    return Layout(fleet_of(runs), Prior.of(load_models(None)["backup"]))


def test_derivatives_are_those_of_the_parameters(layout):
    at = np.linspace(-0.5, 0.5, layout.size)
    _, slope = layout.theta(at, DIP_SD, ZONE_SD)
    for unknown in range(layout.size):
        step = 1e-5 * np.eye(layout.size)[unknown]
        above, below = (layout.theta(at + sign * step, DIP_SD, ZONE_SD)[0] for sign in (1.0, -1.0))
        found = (above - below) / 2e-5
        for name in ("slow", "share"):
            found[:2, THETA.index(name)] = 0.0  # open trees have no slow zone: nothing may move it
        np.testing.assert_allclose(found, slope[:, :, unknown], atol=1e-6)


def test_dry_air_before_the_dip_leaves_less_to_lose_and_damp_air_more(layout, make):
    water, sunk = THETA.index("water"), THETA.index("sunk")
    found = {}
    for humidity in (25.0, 50.0, 70.0):
        run = replace(make(halving, HOURS, number=6), held_below=float(sorption.excess(humidity)))
        own = Layout(fleet_of([run]), layout.prior)
        found[humidity] = own.theta(np.zeros(own.size), DIP_SD, ZONE_SD)[0][0]
    assert found[25.0][water] < found[50.0][water] < found[70.0][water]
    assert found[25.0][sunk] < found[50.0][sunk] < found[70.0][sunk]
