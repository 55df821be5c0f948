"""When a coat is called ready, and when that is taken back: a call is acted on, so it does not come and go with the
noise of a scale.

An unweighed coat dries on and its chance only rises. A weighed one's is judged anew at each weighing, by as few members
as go with the weight, and leaps by some percent each time: it is called once another weighing has said the same, and
the call stands until the chance is well below what it needed, by two weighings too.
"""

from drymon.shop.tree.state import ASSURANCE, STANDS, TreeState, World
from drymon.shop.weight.scale_doubts import FRESH_S

PLAINLY = 0.75
"""Chance below which one weighing of a load cell takes a call back; above it the next one has to say the same."""

IN_A_ROW = 2
"""Weighings of a load cell in a row that must find a coat dry before it is called, or doubtful before the call is taken
back: a single one a few percent short came and went within a quarter of an hour, with its alert.
"""

DAMP_PCT = 50.0
"""Removable water is what air of this humidity takes; damper air brings some back."""

NEXT_WEIGHING_S = 300.0
"""A load cell's next weighing comes within this."""


def stands(tree: TreeState) -> bool:
    """Whether it has been called, and that was not taken back."""
    return tree.call is not None and tree.call.stands


def needed(tree: TreeState) -> float:
    """The chance of being dry that it takes to be called, or to stay so."""
    if not stands(tree):
        return ASSURANCE
    cell = tree.weighings.cell
    alone = cell.tells and tree.at - cell.times[-1] <= FRESH_S and tree.unsure_in_a_row < IN_A_ROW
    return PLAINLY if alone else STANDS


def awaits_weighing(tree: TreeState) -> bool:
    """Whether its load cell has to find it dry once more before it is called; a cell that is silent is not waited
    for.
    """
    times = tree.weighings.cell.times
    if stands(tree) or not tree.weighings.cell.tells or tree.chance_dry < ASSURANCE - 1e-9:
        return False
    return tree.sure_in_a_row < IN_A_ROW and tree.at - times[-1] <= FRESH_S


def why(world: World, tree: TreeState) -> str:
    """What speaks against a call that was made, in words."""
    assert tree.call is not None
    weighed = max([*tree.weighings.cell.times[-1:], *tree.weighings.bench.times[-1:]], default=0.0)
    if weighed > tree.call.at and tree.weighings.tell:
        return "by its weight more water may be left than was thought"
    if tree.cold_surface_k:
        return "its surface is still colder than the air, so water leaves"
    humidity = world.air[tree.rack].now(tree.at).humidity_pct
    if humidity is not None and humidity > DAMP_PCT:
        return f"air at {humidity:.0f} % RH has brought water back"
    return "weighed neighbours, or what was told since, make it less sure"
