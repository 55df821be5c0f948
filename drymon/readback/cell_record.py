"""A load cell's word over one coat, as the record has it: calibrated, what is doubted left out."""

from collections.abc import Iterator
from datetime import datetime

from drymon.drying.quantities import Quantity
from drymon.shop.facts.corrected import Corrections, corrected
from drymon.store import Store


def cell_readings(
    store: Store, corrections: Corrections, cell: str, begin: datetime, end: datetime, since: datetime
) -> Iterator[tuple[float, float]]:
    """The cell's readings with begin <= time < end: s since `since`, kg. What the broker had kept is none."""
    for one in store.readings(begin, end, quantity=Quantity.WEIGHT.value, sensor=cell, doubted=False):
        if not one.retained:
            yield (one.time - since).total_seconds(), corrected(one, corrections).value
