"""How far from safe a dip before its time was: at the edges of the table, which is drymon's own (assumed)."""

import pytest

from drymon.shop.facts.outcome import State
from drymon.shop.tree.redips import Redip, severity, words

DRYING, HOLD, UNKNOWN = State.DRYING, State.HOLD, State.UNKNOWN


@pytest.mark.parametrize(
    ("state", "chance", "gone", "sure", "wanted"),
    [
        (DRYING, 0.94, 0.99, False, "notice"),
        (DRYING, 0.50, 0.95, False, "notice"),
        (DRYING, 0.499, 0.93, False, "warning"),
        (DRYING, 0.97, 0.99, True, "warning"),  # dry, but not gelled, or its weight still falls
        (DRYING, 0.10, 0.76, False, "warning"),  # four fifths of the 95 % that are needed
        (DRYING, 0.10, 0.759, False, "danger"),
        (DRYING, 0.0, 0.02, False, "danger"),
        (HOLD, 0.99, 0.99, True, "warning"),
        (HOLD, 0.10, 0.50, False, "danger"),
        (UNKNOWN, 0.60, 0.96, False, "warning"),
        (UNKNOWN, 0.20, 0.50, False, "danger"),
        (UNKNOWN, 0.0, None, False, "danger"),  # nobody knows what the coat below was
    ],
)
def test_a_dip_is_as_grave_as_it_was_far_from_safe(
    state: State, chance: float, gone: float | None, sure: bool, wanted: str
) -> None:
    assert severity(Redip(state, chance, gone, 0.95, sure)) == wanted


@pytest.mark.parametrize(
    ("chance", "gone", "told"),
    [
        (0.42, 0.91, "42 % sure to be dry, about 91 % of its water gone"),
        (0.949, 0.9999, "94 % sure to be dry, about 99 % of its water gone"),
        (0.0, None, "nothing is known of its water"),
    ],
)
def test_what_was_found_is_told_rounded_down(chance: float, gone: float | None, told: str) -> None:
    assert words(Redip(DRYING, chance, gone, 0.95)) == told
