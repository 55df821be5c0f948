"""What a new measurement by a scale means for the trees that hang: drawn and dried anew from their last dip on."""

from collections.abc import Iterable

from drymon.shop.facts.measured import Measured
from drymon.shop.fold.tree_log import TreeLog
from drymon.shop.tree.state import World


def take_up(world: World, logs: Iterable[TreeLog], before: Measured, now: Measured) -> list[str]:
    """Let the world know; the names of the trees that are to be folded anew."""
    racks, coats = now.racks_apart(before), now.coats_apart(before)
    world.waters.clear()
    world.waters.update(now.waters)
    for rack in racks & world.air.keys():
        world.air[rack].measured(now.cloths.get(rack, {}))
    redrawn = []
    for log in logs:
        state = log.newest()
        if state is not None and ({state.rack, state.dip.rack} & racks or state.dip.coat in coats):
            log.draw_anew(state)
            redrawn.append(log.name)
    return redrawn
