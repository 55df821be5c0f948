"""Whether a tree has been called ready: what was published of a coat, and people go by."""

from collections.abc import Iterable
from dataclasses import dataclass

from drymon.shop.facts.outcome import State
from drymon.shop.facts.reason_code import ReasonCode

UNLEARNED = frozenset({ReasonCode.POCKET_UNLEARNED, ReasonCode.TAIL_UNLEARNED})
"""Holds of a coat that is dry by all that is known: a call as well."""

CALLED = (State.READY, State.COMPLETE)


@dataclass(frozen=True, slots=True)
class Call:
    """That a coat was called ready, first at `at` (s since 1970) of the last time; `stands`: it was not taken back."""

    at: float
    stands: bool


def call_of(said: Iterable[tuple[float, State, frozenset[ReasonCode]]]) -> Call | None:
    """The last call among what was said of a coat, in order of time: when, what state, which holds. A state that is
    unknown, or another hold, neither calls nor takes back.
    """
    call: Call | None = None
    for at, state, holds in said:
        if state in CALLED or (state is State.HOLD and holds and holds <= UNLEARNED):
            call = call if call is not None and call.stands else Call(at, True)
        elif state is State.DRYING and call is not None:
            call = Call(call.at, False)
    return call
