"""When a room's plan is told anew: each quarter of an hour, and where other trees are ready than it knew of. Pure."""

from collections.abc import Mapping
from datetime import tzinfo

from drymon.shop.facts.outcome import DayPlan, Verdict
from drymon.shop.plan.planner import Planner
from drymon.shop.plan.tank_notes import noted
from drymon.shop.tree.state import World

_AGAIN = frozenset({""})
"""As the trees that a plan knew to be ready: no tree has this name, so the plan is made anew."""


class PlanBook:
    """Makes the plan of one room, with a word on its tanks, and knows what the last one was made of."""

    def __init__(self, world: World, zone: tzinfo) -> None:
        self._world, self._zone, self._planner = world, zone, Planner(world)
        self._ready = frozenset[str]()

    def make_again(self) -> None:
        """What it was made of has changed, whatever trees are ready."""
        self._ready = _AGAIN

    def told(self, verdicts: Mapping[str, Verdict], at: float, due: bool) -> list[DayPlan]:
        """The plan by what was last said of each tree, where it is due or not as it was; seconds since 1970."""
        setup = self._world.setup
        ready = frozenset(name for name, said in verdicts.items() if said.safe_to_redip)
        if not setup.recipes or not (due or ready != self._ready):
            return []
        self._ready = ready
        plan = self._planner.plan(verdicts.values(), at, self._zone)
        return [noted(plan, setup, self._world.tanks.events, self._zone)]
