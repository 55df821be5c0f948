"""When a scale is not believed, or does not believe "dry": stuck digits, no loss where there should be, a loss that
nobody expects.

Dry mass and area of a tree are unknown, so a flat line would go with any tree that has long been dry: a dead cell would
hurry it.
"""

from dataclasses import replace

import numpy as np

from drymon.drying.ensemble import CoatState, PossibleCoats
from drymon.drying.weight import UNTOLD_S
from drymon.drying.weight_evidence import LOAD_CELL
from drymon.shop.facts.events import CellMass
from drymon.shop.weight.weighings import Series, Weighings

FALLING_SHARE_PER_H = 0.01
"""Loss per hour, as a share of the coat's water, at which a scale contradicts "dry"."""

FRESH_S = 1800.0
"""An older weighing says nothing of now."""

HALF_GONE, LEAST_LOSS, LEAST_LOSS_KG = 0.5, 0.001, 0.001
"""Where half of the water should have left, a scale sees more than a gram and a thousandth of what hangs there go: a
coat's water is a tenth of what it adds, and that is some percent of even a heavy tree (common practice, no source).
Of a small piece on a fine scale, `PLAIN` times its error will do.
"""

PLAIN = 3.0

STILL_S, STILL_DIGITS, STILL_KG = 900.0, 5.0, 0.002
"""Digits that have not moved for so long while so many of their steps, and so much, should have been lost are stuck
(assumed).
"""


PATIENCE_S = 900.0
"""So long somebody may take to tell what a cell has seen before the tree is held (assumed: hands must be washed)."""


LATE_S = (300.0, 7200.0)
"""So long before the dip that was told a rise is that dip's own, told late (assumed; a coat before it dries longer)."""


def untold_dip(event: CellMass, told_at: float) -> bool:
    """Whether the cell has seen a rise that looks like a dip and that nobody has told of. told_at: when the tree was
    dipped or hung there, s since 1970.
    """
    return event.rose_at > told_at + UNTOLD_S


def untold_fall(event: CellMass, told_at: float) -> bool:
    """Whether the cell has seen a sudden fall that nobody has told of: what hangs there now is another tree, perhaps,
    and loses another tree's water.
    """
    return event.fell_at > told_at + UNTOLD_S


def told_late(event: CellMass, dipped_at: float) -> bool:
    """Whether the dip was told without its time, some while after the cell had seen it: the weighings then are those of
    an older coat, and say nothing right of this one.
    """
    return dipped_at - LATE_S[1] < event.rose_at < dipped_at - LATE_S[0]


def without_stuck(seen: Weighings, event: CellMass) -> Weighings:
    """The record without the weighings of a cell whose digits stand still while water should have left."""
    begun = event.time.timestamp() - event.still_s
    still = [place for place, at in enumerate(seen.cell.times) if at >= begun]
    if event.still_s < STILL_S or len(still) < 2 or seen.area_m2 is None or seen.prior is None:
        return seen
    expected = seen.area_m2 * float(seen.prior @ (seen.cell.water[still[0]] - seen.cell.water[-1]))
    if expected < max(STILL_DIGITS * event.digit_kg, STILL_KG):
        return seen
    return replace(seen, cell=seen.cell.first(still[0]), stuck=True)


def sees_nothing(series: Series, met: float, on_bench: bool = False) -> bool:
    """Next to nothing is lost, of what hangs there, while by the air half of the water should have left: a dead cell,
    an empty hook, another tree. met: water that the first weighing on an earlier cell met: who comes from there nearly
    dry has little to lose.
    """
    first, last = float(series.water[0].mean()), float(series.water[-1].mean())
    loss = series.masses[0] - series.masses[-1]
    plain = min(LEAST_LOSS_KG, PLAIN * series.sds[-1]) if on_bench else LEAST_LOSS_KG  # a cell's zero walks besides
    least = LEAST_LOSS * max(series.masses[-1], 0.0) + plain
    return first - last > HALF_GONE * max(first, met) and loss < least


def falling(seen: Weighings, coats: PossibleCoats, water: CoatState, at: float, plainly: bool = False) -> float | None:
    """Loss in g per hour where the load cell sees more leave than the members know of and a dry tree loses, else None.
    plainly: only where it is twice as much, so that what hovers there does not come and go.

    Seen over an hour or more, and beyond what the zero's drift can feign.
    """
    cell = seen.cell
    if seen.area_m2 is None or not cell.times or at - cell.times[-1] > FRESH_S:
        return None
    earlier = [place for place, time in enumerate(cell.times) if time <= cell.times[-1] - 3600.0]
    if not earlier:
        return None
    then = earlier[-1]
    hours = (cell.times[-1] - cell.times[then]) / 3600.0
    loss = cell.masses[then] - cell.masses[-1]
    known = seen.area_m2 * float(water.weights @ (cell.water[then] - cell.water[-1]))
    spread = float(np.sqrt(cell.sds[then] ** 2 + cell.sds[-1] ** 2 + LOAD_CELL.drift_kg**2 * hours))
    held = seen.area_m2 * float(water.weights @ coats.of_tree(coats.water))
    share = FALLING_SHARE_PER_H * (2.0 if plainly else 1.0)
    more = loss - known - 3.0 * spread > share * held * hours
    return 1000.0 * loss / hours if more else None
