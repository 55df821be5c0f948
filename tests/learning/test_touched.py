"""What fingers tell of a shop without a scale: pockets that are slow or hardly slower."""

import numpy as np
import pytest

from drymon.drying import coat, dips
from drymon.drying.ensemble import AirStep
from drymon.learning.fit import fit_all
from drymon.learning.forecast_scores import EVEN
from drymon.learning.run import Run, Touch
from drymon.learning.runs import Weighed, make_run
from drymon.messages.coat_models import load_models
from tests.learning.made_up_air import steady_air

STARTS = load_models(None)
NOTHING = np.zeros(0)


def felt(name: str, touches: list[Touch], hours: float, shelter: str = "pocketed") -> Run:
    weighed = Weighed(NOTHING, NOTHING, NOTHING, False, problem="felt, not weighed")
    return make_run(
        id=name, tree=name, coat="backup", number=1, shelter=shelter, rack="rack-a", start_s=1e6, weighed=weighed,
        air=steady_air(int(60 * hours) + 1), touches=touches,
    )  # fmt: skip


def hours_to_dry(model, shelter="pocketed"):
    """Bounds and middle of the hours in the air that all these hung in."""
    air = steady_air(2)
    step = AirStep(*(float(getattr(air, name)[0]) for name in ("deficit", "saturation", "excess", "resistance")))
    coats = dips.possible_coats(model, 1, shelter, edges=EVEN)
    return np.quantile(coat.steady_time(coats, 0.05, step).max(axis=0) / 3600.0, [0.05, 0.5, 0.95])


def fingers(true_h: float, count: int = 6) -> list[Run]:
    """Trees felt five times each, wet before and dry after the hour at which their pockets truly are."""
    found = []
    for tree in range(count):
        hours = true_h * np.array([0.35, 0.6, 0.85, 1.2, 1.6]) * (1.0 + 0.07 * tree)
        touches = [Touch(3600.0 * hour, True, bool(hour > true_h)) for hour in hours]
        found.append(felt(f"p-{tree}", touches, 2.5 * true_h))
    return found


@pytest.mark.parametrize("true_h", [3.0, 6.0, 14.0, 40.0])
def test_fingers_alone_teach_how_slow_the_pockets_are(true_h) -> None:
    before = hours_to_dry(STARTS["backup"])
    fit = fit_all(fingers(true_h), STARTS)[0]
    low, best, high = hours_to_dry(fit.model)
    assert low < true_h < high
    assert abs(np.log(best / true_h)) < 0.4
    assert high / low < 0.5 * before[2] / before[0]
    assert fit.model.is_starting_model  # nothing was weighed, and verdicts say so
    assert "felt" in fit.model.origin


def test_one_slip_among_many_words_changes_little() -> None:
    words = fingers(14.0)
    slip = felt("p-9", [Touch(3600.0 * 1.0, True, True)], 30.0)
    with_it, without = (hours_to_dry(fit_all(runs, STARTS)[0].model)[1] for runs in ([*words, slip], words))
    assert with_it == pytest.approx(without, rel=0.25)


def test_what_is_felt_on_a_face_says_little_of_the_pockets() -> None:
    """The faces of pocketed trees felt dry after 3 h: their pockets stay nearly as unknown as they were.

    They are no quicker than an open face, which leaves 0.81 of the prior's spread.
    """
    faces = [
        felt(f"p-{tree}", [Touch(3600.0 * hour, False, hour > 3.0) for hour in (1.0, 2.0, 4.0)], 5.0)
        for tree in range(6)
    ]
    model = fit_all(faces, STARTS)[0].model
    assert model.parameters["pocketed"].sd > 0.72 * STARTS["backup"].parameters["pocketed"].sd


def test_fingers_are_believed_beside_weighings(make) -> None:
    """Open trees on a scale, pocketed ones only felt: the pockets come from the fingers, the faces from the scale."""
    hours = np.linspace(0.08, 6.0, 25)
    weighed = [make(lambda h: np.exp(-h / 1.2), hours, name=f"t-{i}", seed=i, start_s=9e4 * i) for i in range(4)]
    fit = fit_all([*weighed, *fingers(14.0)], STARTS)[0]
    assert [run.tree for run in fit.runs] == ["t-0", "t-1", "t-2", "t-3"]
    assert hours_to_dry(fit.model, "open")[1] == pytest.approx(1.2 * np.log(20.0), rel=0.1)
    low, best, high = hours_to_dry(fit.model)
    assert low < 14.0 < high
    assert abs(np.log(best / 14.0)) < 0.4
    assert "felt" in fit.model.origin
