"""Digits that stay: whether the air rests, or the sensor has frozen.

What moves meanwhile tells: the related quantity at the same place or, where that rests too or is not there, what other
places of the room say. Two fine quantities of one place that used to move and stand still together for hours are frozen
whatever the rest of the room says: a program that repeats its last words does that, air does not.
"""

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from drymon.drying.quantities import DIFFERENT_VALUES, LIMITS, Quantity
from drymon.shop.facts.reading import Reading

MOVES = {limits.partner: limits.partner_moves for limits in LIMITS.values() if limits.partner}
"""By how much each of these quantities must move to show that the air does."""

FROZEN_MIN, FINE = 180.0, 0.11
"""Minutes after which two fine quantities that rest together are frozen, and the smallest change that they must have
shown to be fine: coarser digits may honestly stand for a night (common practice, no source).
"""


class Heard(NamedTuple):
    """What a sensor of another place says now."""

    who: Hashable
    quantity: Quantity
    value: float


class Around(NamedTuple):
    """What is heard around a reading. related: the related quantity, at its own place or at the next that counts.
    sibling: the digits of the related quantity at its own place. others: the sensors of other places.
    """

    related: float | None = None
    sibling: "Digits | None" = None
    others: Iterable[Heard] = ()


NOTHING = Around()


@dataclass(slots=True)
class _Moves:
    """How far something moved while the digits stayed; one step is no proof."""

    low: float = float("inf")
    high: float = float("-inf")
    values: set[float] = field(default_factory=set)

    def hear(self, value: float) -> None:
        self.low, self.high = min(self.low, value), max(self.high, value)
        if len(self.values) < DIFFERENT_VALUES:
            self.values.add(value)

    def by(self, least: float) -> bool:
        return self.high - self.low >= least and len(self.values) >= DIFFERENT_VALUES


@dataclass(slots=True)
class Digits:
    """The newest digits of one sensor: since when they stay, and what moved meanwhile."""

    quantity: Quantity
    value: float = float("nan")
    since: datetime | None = None
    until: datetime | None = None
    stuck: bool = False
    _related: _Moves = field(default_factory=_Moves)
    _others: dict[Hashable, tuple[Quantity, _Moves]] = field(default_factory=dict)
    _shown: set[float] = field(default_factory=set)
    _finest: float = float("inf")

    def stuck_at(self, moment: datetime) -> bool:
        """Whether the digits are stuck, and were already at this moment."""
        return self.stuck and self.since is not None and self.since <= moment

    def follow(self, reading: Reading, around: Callable[[], Around]) -> datetime | None:
        """The next reading; since when the digits have stayed, where they are just found to have stayed too long."""
        if LIMITS[self.quantity].stuck_after_min is None:
            return None
        self.until = reading.time
        if reading.value != self.value or self.since is None:
            self._change(reading)
            return None
        heard = around()
        self._hear(heard)
        honest_still = self.quantity is Quantity.AIRFLOW and reading.value == 0.0
        if self.stuck or honest_still or not self.rests() or not self._suspect(heard.sibling):
            return None
        self.stuck = True
        return self.since

    def rests(self, minutes: float | None = None) -> bool:
        """Whether the digits have stayed for so long, without a number for as long as the table asks."""
        least = LIMITS[self.quantity].stuck_after_min if minutes is None else minutes
        if self.since is None or self.until is None or least is None:
            return False
        return (self.until - self.since).total_seconds() >= 60.0 * least

    def _change(self, reading: Reading) -> None:
        step = abs(reading.value - self.value)
        self._finest = min(self._finest, step) if step > 0.0 else self._finest  # NaN at first: no step
        self.value, self.since, self.stuck = reading.value, reading.time, False
        self._related, self._others = _Moves(), {}
        if len(self._shown) < DIFFERENT_VALUES:
            self._shown.add(reading.value)

    def _hear(self, around: Around) -> None:
        if around.related is not None:
            self._related.hear(around.related)
        for other in around.others:
            self._others.setdefault(other.who, (other.quantity, _Moves()))[1].hear(other.value)

    def _suspect(self, sibling: "Digits | None") -> bool:
        """Whether the rest of the digits is no rest of the air."""
        limits = LIMITS[self.quantity]
        if limits.partner is None:
            return self._was_lively()
        if self._related.by(limits.partner_moves):
            return True
        elsewhere = any(moves.by(MOVES[quantity]) for quantity, moves in self._others.values())
        if elsewhere and (sibling is None or sibling.rests()):
            return True
        return sibling is not None and all(one.is_frozen() for one in (self, sibling))

    def is_frozen(self) -> bool:
        """Whether fine digits that used to move have stood for hours."""
        return self._was_lively() and self._finest <= FINE and self.rests(FROZEN_MIN)

    def _was_lively(self) -> bool:
        return len(self._shown) >= DIFFERENT_VALUES
