"""What a dip finds in the coats below, where the air before it is all that is known of them."""

import numpy as np
import pytest

from drymon.drying import dips
from tests.drying.test_coat import model


@pytest.mark.parametrize("number", [2, 3, 7])
@pytest.mark.parametrize("held", [0.5, 2.0])
def test_damp_coats_hold_as_much_as_the_shell_below_answers_to_the_air(number: int, held: float) -> None:
    """A shell of one coat less takes up so many monolayers before it is dipped: the dip finds them."""
    below = dips.possible_coats(model(), number - 1, "open").sorption
    coats = dips.possible_coats(model(), number, "open", held_below=held)
    found, own = coats.buried * coats.water, (1.0 - coats.buried) * coats.water
    np.testing.assert_allclose(found, np.maximum(held * below, dips.BURIED_USUAL) * own)


def test_a_first_coat_finds_nothing_below_and_a_just_dry_shell_a_little() -> None:
    assert not dips.possible_coats(model(), 1, "open", held_below=2.0).buried.any()
    for number in (2, 7):
        a_little = dips.possible_coats(model(), number, "open").buried
        assert ((a_little > 0.0) & (a_little < 0.02)).all()
