"""Fold anew what late facts have taken back: so much in five seconds of stream time, the trees of a rack together.

Late evidence may reach back for weeks, and any sensor may send it. What is left to do is done at the next instants, and
whatever has come meanwhile is folded in with it. How much is done is counted, not timed: so a replay does the same.
"""

from collections.abc import Iterable

from drymon.shop.air.sensors import MINUTE_S
from drymon.shop.fold.stepper import Stepper
from drymon.shop.fold.tree_log import TreeLog

SLOT_S = 5
WORK = 4000
"""A slot's share: about as many minutes of one tree. A second on a small computer, of the five that there are."""
RACK_WORK = 3
"""A minute's air of a rack, and what its trees have in common, counted in minutes of one tree."""

BEHIND_S = 300.0
"""A longer backlog [s] is folded by slots. A shorter one is folded when the verdict is made."""

TOGETHER_S = 6 * 3600.0
"""Trees within so many seconds of the shortest backlog are folded together with it. The others wait."""


class Refolder:
    """Keeps the share that is left of the present slot."""

    def __init__(self, stepper: Stepper) -> None:
        self._stepper = stepper
        self._slot, self._left = -1, WORK

    def catch_up(self, logs: Iterable[TreeLog], at: float) -> frozenset[str]:
        """Fold those that are behind as far as the share goes, the shortest way first; who is behind still."""
        if int(at // SLOT_S) != self._slot:
            self._slot, self._left = int(at // SLOT_S), WORK
        behind = _behind(logs, at)
        while behind and self._left > 0:
            shortest = behind[0].owes(at)
            self._fold([log for log in behind if log.owes(at) <= shortest + TOGETHER_S], at)
            behind = _behind(behind, at)
        return frozenset(log.name for log in behind)

    def _fold(self, logs: list[TreeLog], at: float) -> None:
        minute = (at - max(log.owes(at) for log in logs)) // MINUTE_S * MINUTE_S + MINUTE_S
        while minute <= at and self._left > 0:
            self._left -= RACK_WORK * self._stepper.minute(logs, minute)
            for log in logs:
                if log.owes(minute):
                    self._left -= RACK_WORK
                    log.state(minute)
            self._left -= len(logs)
            minute += MINUTE_S


def _behind(logs: Iterable[TreeLog], at: float) -> list[TreeLog]:
    return sorted((log for log in logs if log.owes(at) > BEHIND_S), key=lambda log: (log.owes(at), log.name))
