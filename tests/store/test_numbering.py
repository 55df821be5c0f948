"""A node's numbers against the plainest possible bookkeeping: a set of all that was seen."""

from hypothesis import given
from hypothesis import strategies as st

from drymon.store.numbering import MOST_GAPS, Numbering


def numbering_of(numbers: list[int]) -> Numbering:
    made = Numbering(numbers[0], numbers[0])
    for number in numbers[1:]:
        made.add(number)
    return made


@given(st.lists(st.integers(-20, 60), min_size=1, max_size=60))
def test_knows_exactly_what_it_has_seen(numbers: list[int]) -> None:
    made, seen = numbering_of(numbers), set(numbers)
    assert {number for number in range(-25, 66) if number in made} == seen
    complete = next(number for number in range(min(seen), 70) if number + 1 not in seen)
    assert made.mark == complete


@given(st.permutations(range(12)))
def test_any_order_ends_without_holes(numbers: list[int]) -> None:
    made = numbering_of(numbers)
    assert (made.first, made.highest, made.gaps) == (0, 11, [])


def test_a_leap_costs_one_hole() -> None:
    made = numbering_of([0, 2**62])
    assert made.gaps == [(1, 2**62 - 1)]
    assert 2**61 not in made


def test_the_oldest_holes_are_given_up() -> None:
    made = numbering_of(list(range(0, 4 * MOST_GAPS, 2)))
    assert len(made.gaps) == MOST_GAPS
    assert made.mark > MOST_GAPS
