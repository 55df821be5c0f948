"""What `drymon fit` says first: the hours to wait, or why not to go by them."""

import math
from dataclasses import replace

import numpy as np
import pytest

from drymon.drying import ensemble
from drymon.drying.coat_model import Spread
from drymon.learning.fit import TypeFit, fit_all
from drymon.learning.run import Run, RunAir, Touch
from drymon.messages.coat_models import load_models
from drymon.shop.facts.setup import CoatType, RoomSetup
from drymon.views.fit.fit_words import cautions, end_words, headline, scatter_words, standing

ROOM = RoomSetup("shop", coats=(CoatType("backup", "backup"),))
HOURS = np.linspace(0.1, 7.0, 18)


def weighed(number: int) -> Run:
    """A plain exponential of 1.2 h in the reference air."""
    edges, steady, usual = 3600.0 * np.linspace(0.0, 8.0, 97), np.ones(96), ensemble.REFERENCE_AIR
    air = RunAir(edges, usual.deficit * steady, usual.saturation * steady, 0.0 * steady, usual.resistance * steady,
                 22 * steady, 50 * steady, 0.6 * steady, steady > 0)  # fmt: skip
    masses = 3.0 + 0.1 * np.exp(-HOURS / 1.2) + 0.0003 * np.sin(7.0 * HOURS + number)
    return Run(f"t-{number}.5", f"t-{number}", "backup", 5, "open", "rack-a", 1e5 * number, 3600.0 * HOURS, masses,
               0.0005 * np.ones(len(HOURS)), air)  # fmt: skip


RUNS = [weighed(number) for number in range(3)]


@pytest.fixture(scope="module")
def fit() -> TypeFit:
    return fit_all(RUNS, {"backup": load_models(None)["backup"]})[0]


def hours_in(words: str) -> list[float]:
    return [float(part.split(" h")[0]) for mark in ("about ", "wait ") for part in words.split(mark)[1:2]]


def test_first_come_the_hours_and_what_to_weigh(fit: TypeFit) -> None:
    words = headline(fit, ROOM)
    assert words.startswith("backup no. 5 in your usual air (22 °C, 50 %RH, 0.6 m/s): about ")
    likely, sure = hours_in(words)
    assert 3.2 < likely < 4.2  # 95 % of an exponential of 1.2 h are gone after 3.6 h
    assert likely < sure < 2.0 * likely
    assert words.endswith(" h to be sure; weigh next: a pocketed tree down to its last water")


def test_it_never_tells_to_wait_less_than_the_room_allows(fit: TypeFit) -> None:
    room = RoomSetup("shop", coats=(CoatType("backup", "backup", shortest_wait_h=12.0),))
    assert hours_in(headline(fit, room))[1] == 12.0


def test_of_a_doubted_model_no_hour_is_told(fit: TypeFit) -> None:
    doubted = replace(fit, model=replace(fit.model, doubt="the fitted curve misses 3 of 3 weighed runs"))
    words = headline(doubted, ROOM)
    assert words == "backup: do not go by this model: the fitted curve misses 3 of 3 weighed runs"


def test_runs_that_do_not_count_are_told(fit: TypeFit) -> None:
    idle = replace(weighed(7), problem="1 weighing; at least 4 are needed")
    stranger = replace(weighed(8), coat="seal", problem="its air is not known")
    told = standing(replace(fit, doubted=(weighed(9),), missed=(RUNS[1],)), [*RUNS, idle, stranger])
    assert told[0].endswith("; 1 weighed run not used (drymon runs says why)")
    assert told[1].startswith("doubted, not used: t-9.5 contradicts the other runs")
    assert told[2] == "missed by the curve: t-1.5"


def test_two_groups_are_asked_about(fit: TypeFit) -> None:
    told = cautions(replace(fit, groups="two groups: 5 runs near 3.1 h, 4 runs near 6.0 h"))
    assert told[0].startswith("Two groups: 5 runs near 3.1 h, 4 runs near 6.0 h: are these two coats?")
    assert told[-1] == "No run has told how pocketed and deep trees dry: for these the cautious start holds."


def test_an_unlearnt_tail_is_told(fit: TypeFit) -> None:
    told = cautions(replace(fit, model=replace(fit.model, tail_learned=False)))
    assert any("will not say ready by this model alone" in words for words in told)
    assert not any("will not say ready" in words for words in cautions(fit))


def test_a_coarse_scale_is_told_of_with_the_one_that_would_do() -> None:
    """Weighings off by 5 g in turn, of 100 g that each run loses."""
    wrong = 0.005 * np.where(np.arange(len(HOURS)) % 2, 1.0, -1.0)
    runs = [replace(run, masses_kg=run.masses_kg + wrong) for run in RUNS]
    told = cautions(fit_all(runs, {"backup": load_models(None)["backup"]})[0])
    (coarse,) = (words for words in told if "A weighing is off" in words)
    assert coarse.startswith("A weighing is off by about 5 g of the 92 g that a run lost")
    assert "A scale good to 0.9 g, read at rest," in coarse


def test_air_that_was_always_damp_is_told_of_for_late_coats(fit: TypeFit) -> None:
    damp = [replace(run, air=replace(run.air, humidity_pct=run.air.humidity_pct + more))
            for run, more in zip(fit.runs, (5.0, 6.0, 8.0), strict=True)]  # fmt: skip
    late = replace(fit, runs=tuple(damp))
    assert any(words.startswith("All runs hung in air of 55 to 58 %RH.") for words in cautions(late))
    first = replace(fit, runs=tuple(replace(run, number=2) for run in damp))
    once_dry = replace(fit, runs=(fit.runs[0], *damp[1:]))
    assert not any("All runs hung in air" in words for one in (first, once_dry) for words in cautions(one))


def test_a_fine_scale_in_usual_air_has_nothing_of_both_told(fit: TypeFit) -> None:
    told = " ".join(cautions(fit))
    assert "A weighing is off" not in told
    assert "All runs hung" not in told


def test_of_trees_that_were_only_felt_no_hour_is_claimed(fit: TypeFit) -> None:
    """Fingers teach how slow pockets are; how long a coat takes is told by a scale."""
    touched = replace(weighed(7), touches=(Touch(3600.0, True, False),), problem="felt, not weighed")
    felt = replace(fit, runs=(), places=(), left_out=(), model=replace(fit.model, runs=0))
    assert headline(felt, ROOM).startswith("backup: no weighed run yet, only what was felt of trees; weigh next: ")
    assert "not used" not in standing(felt, [touched])[0]


def test_how_the_end_of_late_coats_grows_is_told_with_its_bounds() -> None:
    """The logarithm of the factor is known to a fifth: ln 2 is 0.69, and 90 % of a normal lie within 1.645 sd."""
    backup = load_models(None)["backup"]
    assert end_words(backup) == ""
    assert end_words(replace(backup, end_growth=Spread(math.log(2.0), 0.2))) == (
        "coat 8 loses its last tenth of water 2.00 times as slowly as coat 3 (1.65 to 2.62)"
    )


def test_the_slurry_of_other_weeks_is_told_beside_the_luck_of_a_dip() -> None:
    backup = load_models(None)["backup"]
    learnt = replace(backup, dip_sd={"water": 0.03, "transfer": 0.04, "inner": 0.05}, slurry_sd=0.08)
    assert scatter_words(learnt) == "water 3 %, transfer 4 %, inner 5 %; thickness of another week's slurry 8 %"
