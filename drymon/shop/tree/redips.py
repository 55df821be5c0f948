"""Dips before the coat below was ready: how far from safe they were. A dip at 94 % is not one at 0 %."""

import math
from dataclasses import dataclass

from drymon.shop.facts.outcome import Severity, State

LIKELY = 0.5
"""Chance of being dry from which the coat below was likely dry: from then on a person is told to touch it (assumed)."""

NEARLY = 0.8
"""Share of what must be gone from which only some water was shut in, a fifth of a coat's at the most (assumed)."""


@dataclass(frozen=True, slots=True)
class Redip:
    """What a dip found of the coat below: the state that had been said of it, the chance that it was dry, the likely
    share of its water gone (None: unknown) and the share that was needed (0 to 1).

    sure: the chance was that of "ready", so that something else spoke against the dip.
    """

    state: State
    chance: float
    gone: float | None
    needed: float
    sure: bool = False


def severity(redip: Redip) -> Severity:
    """A notice where it was likely dry and nothing else spoke against the dip; a danger where much water was left, or
    nobody knows how much.
    """
    if redip.state is State.DRYING and redip.chance >= LIKELY and not redip.sure:
        return "notice"
    nearly = redip.gone is not None and redip.gone >= NEARLY * redip.needed
    return "warning" if nearly else "danger"


def words(redip: Redip) -> str:
    """`42 % sure to be dry, about 91 % of its water gone`, both rounded down."""
    if redip.gone is None:
        return "nothing is known of its water"
    chance, gone = (math.floor(100.0 * share + 1e-6) for share in (redip.chance, redip.gone))
    return f"{chance} % sure to be dry, about {gone} % of its water gone"
