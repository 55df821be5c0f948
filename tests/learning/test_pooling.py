"""What coat types of one room lend each other, against effects that were put in."""

import numpy as np
import pytest

from drymon.drying.coat_model import to_working
from drymon.learning.pooling import DoseSample, lent, pool
from drymon.messages.coat_models import load_models

START = load_models(None)["backup"]


def samples(room: float, rack_b: float, per_log_number: float, types: dict[str, float]) -> list[DoseSample]:
    """Runs of some types on two racks, open, with a little scatter: logs of dose over what was expected."""
    rng = np.random.default_rng(3)
    made = []
    for coat, own in types.items():
        for i in range(12):
            rack, number = "ab"[i % 2], 1 + i % 6
            true = room + own + (rack_b if rack == "b" else 0.0) + per_log_number * np.log(number)
            made.append(DoseSample(coat, "open", rack, number, float(true + 0.02 * rng.standard_normal())))
    return made


def place(rack: str, number: int = 1) -> DoseSample:
    return DoseSample("new", "open", rack, number, float("nan"))


def test_effects_of_rack_and_coat_number_are_told_apart_from_the_room() -> None:
    known = pool(samples(0.2, rack_b=0.1, per_log_number=0.08, types={"one": 0.05, "two": -0.05}))
    assert known.expected(place("a")) == pytest.approx(0.2, abs=0.03)
    assert known.expected(place("b")) - known.expected(place("a")) == pytest.approx(0.1, abs=0.03)
    assert known.expected(place("a", 6)) - known.expected(place("a")) == pytest.approx(0.08 * np.log(6), abs=0.03)


def test_a_type_with_few_runs_begins_nearer_to_what_the_room_has_shown() -> None:
    """The others took 1.35 times the dose: its transfer is taken lower, most where its own runs hang as badly."""
    known = pool(samples(0.3, rack_b=0.15, per_log_number=0.0, types={"one": 0.0, "two": 0.0, "three": 0.0}))
    before = START.parameters["transfer"]
    good, bad = (lent(START, known, [place(rack)]).parameters["transfer"] for rack in "ab")
    shifts = [to_working("transfer", after.centre) - to_working("transfer", before.centre) for after in (good, bad)]
    assert shifts[1] < shifts[0] < 0.0
    assert -0.3 < shifts[0] < -0.1, "between not at all and all of it"
    assert good.sd < before.sd


def test_nothing_is_lent_where_nothing_was_weighed() -> None:
    assert lent(START, pool([]), [place("a")]) == START
