"""Slips of the pen that are asked about before they count: the near names, and weighings that no tree makes.

The limits are common practice without a source; the masses here are an invented shop's, worked out by hand.
"""

from datetime import UTC, datetime, timedelta

import pytest

from drymon.shop.facts.events import Dip, TreeEvent, Weigh
from drymon.shop.facts.lives import lives_of
from drymon.shop.facts.outcome import State, Verdict, When
from drymon.shop.facts.slips import did_you_mean, doubtful_weighing, early_dip

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)
COATS = ("prime-first", "prime-fine", "backup", "seal")


def hours(count: float) -> datetime:
    return BEGIN + timedelta(hours=count)


def dip(at: float, number: int) -> Dip:
    return Dip(time=hours(at), arrived=hours(at), tree="t-1", rack="rack-a", coat="backup", number=number)


def weigh(at: float, mass: float) -> Weigh:
    return Weigh(time=hours(at), arrived=hours(at), tree="t-1", mass=mass)


def doubt(mass: float, *before: TreeEvent, at: float = 9.0) -> str:
    (life,) = lives_of([*before], hours(at)) or [None]
    return doubtful_weighing(weigh(at, mass), life, "Europe/Berlin")


@pytest.mark.parametrize(
    ("received", "likely"),
    [("primefirst", "prime-first or prime-fine"), ("bakcup", "backup"), ("seel", "seal")],
)
def test_the_near_names_are_offered(received: str, likely: str) -> None:
    assert did_you_mean(received, COATS) == f"prime-first, prime-fine, backup, seal (did you mean {likely}?)"


def test_what_is_near_to_nothing_gets_the_list_alone() -> None:
    assert did_you_mean("xyzzy", COATS) == "prime-first, prime-fine, backup, seal"
    assert did_you_mean("backup", ()) == "none yet"


@pytest.mark.parametrize(
    ("mass", "told"),
    [
        (32.92, "10 times that"),  # the point one place off
        (3290.0, "1000 times that"),  # grams for kilograms
        (7.25, "2.2 times that"),  # pounds for kilograms
        (0.329, "90 % less"),
        (1.49, "55 % less"),  # kilograms taken for pounds
        (5.2, "58 % more"),
    ],
)
def test_a_mass_that_no_tree_makes_is_strange(mass: float, told: str) -> None:
    asked = doubt(mass, dip(0, 1), weigh(1, 3.29))
    assert "t-1 weighed 3.29 kg at 08:00 and was not dipped since" in asked
    assert told in asked
    assert "decimal point" in asked


@pytest.mark.parametrize("mass", [3.29, 3.05, 2.5, 3.31, 4.0])
def test_a_mass_that_dries_or_was_dipped_untold_is_not(mass: float) -> None:
    assert doubt(mass, dip(0, 1), weigh(1, 3.29)) == ""


def test_a_first_weighing_has_nothing_beside_it() -> None:
    assert doubt(320.0, dip(0, 1)) == ""
    assert doubtful_weighing(weigh(9, 320.0), None, "UTC") == ""


def test_each_dip_since_allows_for_its_coat() -> None:
    """3.29 kg and three coats of a fifth each are 5.7 kg; 32.92 kg are more than nine coats would make of it."""
    coats = [dip(2 + place, 2 + place) for place in range(3)]
    assert doubt(5.69, dip(0, 1), weigh(1, 3.29), *coats) == ""
    assert "and was dipped once since" in doubt(32.92, dip(0, 1), weigh(1, 3.29), *coats[:1])
    assert "and was dipped 2 times since" in doubt(32.92, dip(0, 1), weigh(1, 3.29), *coats[:2])
    assert "and was dipped 3 times since" in doubt(32.92, dip(0, 1), weigh(1, 3.29), *coats)


def test_a_weighing_told_late_is_held_against_the_one_before_it() -> None:
    assert "10 times that" in doubt(32.9, dip(0, 1), weigh(1, 3.29), weigh(9.5, 32.0), at=9.0)


def test_dips_after_a_weighing_told_late_allow_for_nothing() -> None:
    coats = [dip(3 + place, 2 + place) for place in range(3)]
    assert "and was not dipped since" in doubt(6.0, dip(0, 1), weigh(1, 3.29), *coats, at=2.0)


@pytest.mark.parametrize(
    ("state", "told"),
    [
        (State.DRYING, "t-1 is not ready: likely dry at 23:26: touch-test it then. A dip now shuts its water in"),
        (State.HOLD, "t-1 is on hold: look at it before any dip"),
        (State.UNKNOWN, "nobody can tell how dry t-1 is"),
        (State.READY, ""),
        (State.COMPLETE, ""),
    ],
)
def test_an_early_dip_is_warned_of(state: State, told: str) -> None:
    never = When(None, None, None)
    told_so = "likely dry at 23:26: touch-test it then"
    verdict = Verdict(BEGIN, BEGIN, "t-1", "rack-a", "backup", 1, BEGIN, state, None, never, None, (), advice=told_so)
    said = early_dip(verdict)
    assert said.startswith(told)
    assert bool(said) is bool(told)
