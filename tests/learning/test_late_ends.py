"""Where the first half of the water leaves a late coat as soon as an early one and the last of it does not, runs that
were weighed to their end say so.
"""

from dataclasses import replace

import numpy as np
import pytest

from drymon.drying.coat_model import END_GROWTH, Spread
from drymon.learning.estimate import Estimate, fit_room
from drymon.learning.estimated_model import model_of
from drymon.learning.layout import Prior
from drymon.learning.run import Run
from drymon.messages.coat_models import load_models, read_model, write_model
from drymon.shop.facts.setup import CoatType
from drymon.shop.tree.starting import start_of

BACKUP = load_models(None)["backup"]
HOURS = np.linspace(0.1, 14.0, 40)
NUMBERS = (3, 4, 5, 6, 7, 8, 9)


def weighed(make, at_nine: float) -> list[Run]:
    """Two stores of water side by side, as no formula of drymon has them: four fifths leave with a time constant of
    0.9 h, one fifth with one of 1.8 h that is `at_nine` times as long in coat 9, and in a straight line before.
    """
    runs = []
    for place, number in enumerate(NUMBERS):
        slow = 1.8 * (1.0 + (at_nine - 1.0) * (number - 3) / 6.0)
        runs.append(
            make(
                lambda h, slow=slow: 0.8 * np.exp(-h / 0.9) + 0.2 * np.exp(-h / slow),
                HOURS,
                name=f"t-{place}",
                number=number,
                seed=place,
                sd_kg=0.0002,
                start_s=9e4 * place,
            )
        )
    return runs


def estimate_of(runs: list[Run]) -> Estimate:
    return fit_room(runs, {"backup": Prior.of(BACKUP)}, "power")


@pytest.fixture(scope="module")
def growing(make) -> Estimate:
    return estimate_of(weighed(make, 2.5))


def test_an_end_that_grows_is_told_from_one_that_does_not(make, growing: Estimate) -> None:
    grown, same = (one.coats["backup"].end_growth for one in (growing, estimate_of(weighed(make, 1.0))))
    assert grown.centre > 0.4 > END_GROWTH.centre > same.centre
    assert grown.sd < 0.5 * END_GROWTH.sd


def test_a_model_tells_it_and_keeps_it_in_its_file(tmp_path, growing: Estimate) -> None:
    model = replace(model_of(BACKUP, growing, growing.runs), name="backup")
    assert model.end_growth == growing.coats["backup"].end_growth
    path = tmp_path / "backup.toml"
    write_model(model, path)
    assert read_model(path).end_growth == model.end_growth


def test_it_is_the_room_s_so_a_coat_that_stands_in_has_it_less_surely_and_a_starting_one_knows_nothing(
    tmp_path,
) -> None:
    known = replace(BACKUP, runs=8, end_growth=Spread(0.5, 0.1))
    stands_in = start_of(CoatType("coarse", "backup"), {"backup": known})
    assert stands_in is not None
    assert stands_in.end_growth is not None
    assert stands_in.end_growth.centre == 0.5
    assert stands_in.end_growth.sd > 0.1  # learnt of another kind of coat
    path = tmp_path / "backup.toml"
    write_model(BACKUP, path)
    assert read_model(path).end_growth is None


def test_a_fit_goes_on_from_what_another_home_has_learnt_of_it() -> None:
    assert Prior.of(replace(BACKUP, runs=8, end_growth=Spread(0.5, 0.1))).end_growth == Spread(0.5, 0.1)
    assert Prior.of(BACKUP).end_growth == END_GROWTH
