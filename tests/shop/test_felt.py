"""What a touch tells: the surface only, so it shifts what is likely and settles nothing."""

import numpy as np
import pytest

from drymon.drying.ensemble import CoatState
from drymon.shop.tree.state import felt

LEFT = np.array([1.0, 0.5, 0.1, 0.05, 0.0])
"""Shares of the water left in five members: wet, half dry, nearly there, there, beyond. A redip needs 0.05."""


def after(finding: str) -> np.ndarray:
    """How likely each is after the touch, of what was equally likely, by the one that it fits best."""
    equal = np.full(len(LEFT), 1.0 / len(LEFT))
    state = felt(CoatState(LEFT[None, :], np.zeros(len(LEFT)), equal), equal, finding, 0.05)
    assert state.weights.sum() == pytest.approx(1.0)
    return state.weights / state.weights.max()


def test_felt_dry_speaks_for_what_is_dry_and_hardly_for_the_half_dry() -> None:
    """What a touch contradicts fully keeps 35 % (assumed, drymon's own figure)."""
    wet, half, nearly, there, beyond = after("dry")
    assert wet == pytest.approx(0.35)
    assert 0.35 < half < 0.45
    assert half < nearly < 1.0
    assert (there, beyond) == (1.0, 1.0)


def test_felt_wet_speaks_against_what_is_dry_and_hardly_against_the_half_dry() -> None:
    wet, half, nearly, there, beyond = after("wet")
    assert wet == 1.0
    assert 0.9 < half < 1.0
    assert there < nearly < half
    assert (there, beyond) == pytest.approx((0.35, 0.35))
