"""Which of a node's numbered readings are on disk: the span seen so far and the holes in it. Pure."""

from bisect import bisect_right
from dataclasses import dataclass, field

MOST_GAPS = 1000
"""Holes kept per device and boot. Beyond it the oldest is given up: no broken node may fill the card."""


@dataclass(slots=True)
class Numbering:
    """The numbers of one device since one boot. A node may start anywhere; lower numbers may still follow.

    first, highest: lowest and highest number seen.
    gaps: the holes between them, ascending, (first, last) inclusive.
    """

    first: int
    highest: int
    gaps: list[tuple[int, int]] = field(default_factory=list)

    @property
    def mark(self) -> int:
        """The highest number up to which everything is on disk, counted from the lowest number seen."""
        return self.gaps[0][0] - 1 if self.gaps else self.highest

    def __contains__(self, seq: int) -> bool:
        if not self.first <= seq <= self.highest:
            return False
        place = bisect_right(self.gaps, (seq, self.highest)) - 1
        return place < 0 or seq > self.gaps[place][1]

    def add(self, seq: int) -> None:
        """Note that `seq` is on disk now."""
        if seq > self.highest:
            if seq > self.highest + 1:
                self.gaps.append((self.highest + 1, seq - 1))
            self.highest = seq
        elif seq < self.first:
            if seq + 1 < self.first:
                self.gaps.insert(0, (seq + 1, self.first - 1))
            self.first = seq
        elif seq not in self:
            self._fill(seq)
        if len(self.gaps) > MOST_GAPS:
            del self.gaps[0]

    def _fill(self, seq: int) -> None:
        place = bisect_right(self.gaps, (seq, self.highest)) - 1
        low, high = self.gaps[place]
        self.gaps[place : place + 1] = [part for part in ((low, seq - 1), (seq + 1, high)) if part[0] <= part[1]]
