"""What a cup says of a dip's water is learnt from runs that were weighed after dips of thin and thick slurry."""

import math
from dataclasses import replace

import numpy as np
import pytest

from drymon.drying.coat_model import USUAL_POWER
from drymon.learning.estimate import fit_room
from drymon.learning.layout import Prior
from drymon.learning.run import Run
from drymon.messages.coat_models import load_models, read_model, write_model
from drymon.shop.facts.setup import CoatType
from drymon.shop.tree.starting import start_of

STARTS = load_models(None)
HOURS = np.concatenate([np.linspace(0.1, 3.0, 10), np.linspace(3.5, 9.0, 6)])
THICK = (-0.5, -0.3, -0.1, 0.0, 0.2, 0.3, 0.5, 0.6)


def weighed(make, power: float, known: bool = True) -> list[Run]:
    """Half as thick again a slurry brings 1.5^power times the water, and takes as much longer."""
    dice = np.random.default_rng(3)
    runs = []
    for place, thick in enumerate(THICK):
        more = math.exp(power * thick + dice.normal(0.0, 0.03))
        run = make(
            lambda h, more=more: np.exp(-h / (1.3 * more)),
            HOURS,
            name=f"t-{place % 2}",
            number=4,
            water_kg=0.1 * more,
            seed=place,
            start_s=9e4 * place,
        )
        runs.append(replace(run, thick=thick if known else 0.0))
    return runs


def estimate_of(runs):
    return fit_room(runs, {"backup": Prior.of(STARTS["backup"])}, "power", rounds=3).coats["backup"]


@pytest.mark.parametrize("power", [0.1, 0.8])
def test_the_power_is_found(make, power: float) -> None:
    found = estimate_of(weighed(make, power)).slurry_power
    assert found.centre == pytest.approx(power, abs=2.0 * found.sd)
    assert abs(found.centre - power) < abs(USUAL_POWER.centre - power) / 2.0
    assert found.sd < 0.6 * USUAL_POWER.sd


def test_what_the_cup_explains_is_no_luck_of_the_slurry(make) -> None:
    explained, luck = (estimate_of(weighed(make, 0.8, known)).dip_sd[0] for known in (True, False))
    assert explained < 0.6 * luck


def test_where_no_cup_was_told_nothing_is_learnt_of_it(make) -> None:
    assert estimate_of(weighed(make, 0.8, known=False)).slurry_power == USUAL_POWER


def test_the_power_survives_its_file_and_is_no_other_coat_s(tmp_path) -> None:
    learnt = replace(STARTS["backup"], runs=8, slurry_power=replace(USUAL_POWER, centre=0.7, sd=0.1), slurry_sd=0.08)
    path = tmp_path / "backup.toml"
    write_model(learnt, path)
    assert read_model(path).slurry_power == learnt.slurry_power
    assert read_model(path).slurry_sd == learnt.slurry_sd
    stands_in = start_of(CoatType("coarse", "backup"), {"backup": learnt})
    assert stands_in is not None
    assert stands_in.slurry_power == USUAL_POWER
