"""What people say that may be a slip of the pen, and is asked about before it counts. Pure.

Only what is said by hand is asked about, where somebody stands who can answer: what comes over the broker is a fact.
"""

from collections.abc import Iterable
from difflib import get_close_matches
from typing import TYPE_CHECKING

from drymon.shop.facts.events import Weigh
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import State, Verdict

if TYPE_CHECKING:  # every command asks what was meant; few know of lives
    from drymon.shop.facts.lives import Life

LIGHTEST = 0.7
"""Share of its last weighing below which no tree falls: a fresh coat's water is a smaller part of it (assumed)."""

HEAVIEST, HEAVIER_A_DIP = 1.5, 1.25
"""Times its last weighing, and for each dip since, beyond which no tree grows: a coat adds a tenth to a quarter, and
one of them may not have been told (common practice, no source).
"""


def did_you_mean(received: str, known: Iterable[str], most: int = 2) -> str:
    """`prime-first, prime-fine, backup (did you mean prime-first or prime-fine?)`; "none yet" where none is known."""
    names = list(known)
    likely = get_close_matches(received, names, n=most)
    return (", ".join(names) or "none yet") + (f" (did you mean {' or '.join(likely)}?)" if likely else "")


def doubtful_weighing(weigh: Weigh, life: "Life | None", timezone: str) -> str:
    """What is strange about a weighing beside the tree's last one, "" where nothing is, or there is none before it."""
    before = [event for event in life.events if isinstance(event, Weigh) and event.time < weigh.time] if life else []
    if not before or life is None:
        return ""
    last = before[-1]
    dips = sum(last.time < coat.dip.time <= weigh.time for coat in life.coats)
    if LIGHTEST * last.mass <= weigh.mass <= HEAVIEST * HEAVIER_A_DIP**dips * last.mass:
        return ""
    since = {0: "was not dipped since", 1: "was dipped once since"}.get(dips, f"was dipped {dips} times since")
    when, times = say(last.time, weigh.arrived, timezone), _times(weigh.mass / last.mass)
    return (
        f"{weigh.tree} weighed {last.mass:g} kg at {when} and {since}; {weigh.mass:g} kg is {times}. "
        "Look at the decimal point, the unit and the tree"
    )


def _times(ratio: float) -> str:
    """`2.2 times that`, `58 % more`, `90 % less`."""
    if ratio >= 2.0:
        return f"{ratio:.{0 if ratio >= 10 else 1}f} times that"
    return f"{100 * abs(ratio - 1):.0f} % {'more' if ratio > 1 else 'less'}"


def early_dip(verdict: Verdict) -> str:
    """What a person is told who dips a tree of this verdict now, "" where it is safe."""
    match verdict.state:
        case State.DRYING:
            return f"{verdict.tree} is not ready: {verdict.advice}. A dip now shuts its water in"
        case State.HOLD:
            return f"{verdict.tree} is on hold: look at it before any dip. A dip now may shut water or a flaw in"
        case State.UNKNOWN:
            return f"nobody can tell how dry {verdict.tree} is. A dip now may shut its water in"
        case _:
            return ""
