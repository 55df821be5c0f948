"""The day as the first page shows it: what to dip now, next and later, of trees as they are this minute."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from drymon.shop.facts.outcome import DayPlan, PlannedDip, State
from drymon.views.page.room_view import RoomView

MOST_NEXT = 6
"""Lines that a phone shows before the rest is folded away."""


@dataclass(frozen=True, slots=True)
class DayView:
    """now: ready trees. soon: the next of the others. later: the rest, by time."""

    now: Sequence[PlannedDip]
    soon: Sequence[PlannedDip]
    later: Sequence[PlannedDip]

    @property
    def together(self) -> list[list[PlannedDip]]:
        """Ready trees of one rack that get the same coat, two and more: one tap for all."""
        kinds: dict[tuple[str, str], list[PlannedDip]] = {}
        for dip in self.now:
            kinds.setdefault((dip.rack, dip.coat), []).append(dip)
        return [dips for dips in kinds.values() if len(dips) > 1]

    @property
    def is_empty(self) -> bool:
        """Nothing to be told."""
        return not (self.now or self.soon or self.later)


def day(plan: DayPlan | None, view: RoomView, now: datetime) -> DayView:
    """The plan as it holds at `now`: none that is too old, and no tree to dip that is not ready any more."""
    if plan is None or now > plan.valid_until:
        return DayView((), (), ())
    hung = {tree.name: tree for tree in view.trees}
    ready = [
        dip for dip in plan.now if (tree := hung.get(dip.tree)) and tree.state is State.READY and _follows(dip, view)
    ]
    coming = [dip for dip in plan.next if _follows(dip, view)]
    return DayView(ready, coming[:MOST_NEXT], [*coming[MOST_NEXT:], *(d for d in plan.later if _follows(d, view))])


def _follows(dip: PlannedDip, view: RoomView) -> bool:
    """Whether the dip is still to come."""
    tree = view.tree(dip.tree)
    return tree is not None and dip.number > tree.verdict.number
