"""What waiting has cost: hours that trees hung ready, dips too early, longest waits overrun, by week and rack.

Read from verdicts on record; a table, for commands that end.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta, tzinfo

import pandas as pd

from drymon.readback.coat_history import is_about
from drymon.shop.facts.lives import NEXT_DIP, Coat, lives_of
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.setup import RoomSetup
from drymon.store import Store

COLUMNS = ("week", "rack", "dips", "hung_ready_h", "longest_h", "too_early", "overrun")
"""dips: redips. hung_ready_h: from each call to the next dip, together; longest_h: the longest of them. too_early:
coats that were drying still when they were dipped on. overrun: coats that hung past their longest wait.
"""

HEADS = ("week of", "rack", "redips", "hung ready, h", "the longest, h", "too early", "past longest wait")


def looking_back(store: Store, begin: datetime, end: datetime, zone: tzinfo) -> pd.DataFrame:
    """One row for each week (its Monday, on the room's clock) and rack with a coat whose time on top ended in it.

    Columns as COLUMNS; empty where no coat did.
    """
    rows = []
    for life in lives_of(store.events(begin), end):
        rows += list(_rows(life.coats, list(store.verdicts_in_force(life.tree, life.begin)), zone))
    each = pd.DataFrame(rows, columns=["week", "rack", "waited_h", "too_early", "overrun"])
    by = each.groupby(["week", "rack"])
    told = by.agg(
        dips=("waited_h", "size"),
        hung_ready_h=("waited_h", "sum"),
        longest_h=("waited_h", "max"),
        too_early=("too_early", "sum"),
        overrun=("overrun", "sum"),
    )
    return told.reset_index()[list(COLUMNS)]


def _rows(coats: Iterable[Coat], verdicts: Sequence[Verdict], zone: tzinfo) -> Iterable[tuple[object, ...]]:
    for coat in coats:
        said = [one for one in verdicts if is_about(coat, one) and one.time < coat.end]
        if coat.ended_by != NEXT_DIP or not said:
            continue
        last = said[-1]
        day = coat.end.astimezone(zone).date()
        monday = day - timedelta(days=day.weekday())
        overrun = last.redip_by is not None and coat.end > last.redip_by
        waited = _hung_ready_h(said, coat.end)
        yield monday.isoformat(), coat.stays[-1].rack, waited, last.state is State.DRYING, overrun


def _hung_ready_h(said: Sequence[Verdict], end: datetime) -> float:
    """Hours of the last unbroken call until the coat was dipped on; 0 where it was none."""
    if said[-1].state is not State.READY:
        return 0.0
    since = said[-1].time
    for one in reversed(said):
        if one.state is not State.READY:
            break
        since = one.time
    return (end - since) / timedelta(hours=1)


def table_of(told: pd.DataFrame, room: RoomSetup) -> str:
    """The rows for a terminal, racks by what people call them."""
    if told.empty:
        return "no coat was dipped on in that time\n"
    labels = {rack.name: rack.label or rack.name for rack in room.racks}
    shown = told.assign(rack=told["rack"].map(lambda name: labels.get(name, name)))
    shown = shown.rename(columns=dict(zip(COLUMNS, HEADS, strict=True)))
    return str(shown.to_string(index=False, float_format="{:.1f}".format)) + "\n"
