"""What a tree's scale tells of its wet area goes on to the next coat."""

import numpy as np
import pytest

from drymon.drying.weight_evidence import AreaPrior
from drymon.shop.weight.scale import next_coat
from drymon.shop.weight.weighings import Weighings

WEIGHTS = np.array([0.5, 0.5, 0.0])


def test_the_same_model_keeps_each_members_own_area() -> None:
    learnt = AreaPrior(np.array([0.30, 0.40, 0.90]), np.array([0.02, 0.02, 0.5]))
    area = next_coat(Weighings(learnt=learnt), WEIGHTS, same_model=True, scatter=0.05).area
    assert area.median_m2 == pytest.approx([0.30, 0.40, 0.90])
    assert (np.asarray(area.log_sd) > 0.05).all()


def test_another_model_gets_one_area_as_unsure_as_the_members_disagree() -> None:
    learnt = AreaPrior(np.array([0.30, 0.40, 0.90]), np.array([0.02, 0.02, 0.5]))
    area = next_coat(Weighings(learnt=learnt), WEIGHTS, same_model=False, scatter=0.05).area
    assert 0.30 < float(area.median_m2) < 0.40
    assert 0.14 < float(area.log_sd) < 0.16  # ln(0.40/0.30) = 0.288, half of it to either side, and a little


def test_a_coat_that_was_not_weighed_forgets_nothing_of_a_plain_area() -> None:
    known = AreaPrior(0.31, 0.1)
    assert next_coat(Weighings(area=known), WEIGHTS, same_model=True, scatter=0.05).area == known
