"""What a fit has changed: the same coats before and after, hours from the dip to likely, to surely, to ready. Pure.

Only trees that were not weighed: a weight makes a tree ready sooner, whatever its model.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median

from drymon.readback.promises import Promise, Tally, hours_of

NOT_YET = "-"


@dataclass(frozen=True, slots=True)
class MedianWaits:
    """Medians over so many dips, in hours from the dip; ready_h: of those that were called, None where none was."""

    likely_h: float
    sure_h: float
    ready_h: float | None
    dips: int


def waits(promises: Sequence[Promise]) -> MedianWaits | None:
    """Of these, None where there are none."""
    if not promises:
        return None
    ready = [hours_of(one.dry - one.dipped) for one in promises if one.dry is not None]
    return MedianWaits(
        _middle(promises, lambda one: one.likely),
        _middle(promises, lambda one: one.bound),
        median(ready) if ready else None,
        len(promises),
    )


def compared(tally: Tally) -> Iterator[tuple[str, MedianWaits, MedianWaits]]:
    """By coat and shelter, what was told by starting models and by fitted ones; only of those that both told of."""
    own = [one for one in tally.promises if not one.weighed]
    for coat, shelter in sorted({(one.coat, one.shelter) for one in own}, key=lambda kind: (kind[1] != "open", kind)):
        kind = [one for one in own if (one.coat, one.shelter) == (coat, shelter)]
        before, after = (waits([one for one in kind if one.starting is starting]) for starting in (True, False))
        if before is not None and after is not None:
            yield f"{coat}, {shelter}", before, after


def table(tally: Tally) -> list[str]:
    """`compared` as lines of text; none where there is nothing to compare."""
    rows = [f"{name:<22}{_words(before)}   {_words(after)}" for name, before, after in compared(tally)]
    if not rows:
        return []
    heads = "likely surely  ready  dips"
    return [f"{'':<22}{'starting models':<26}   fitted", f"{'hours from the dip':<22}{heads}   {heads}", *rows]


def _words(one: MedianWaits) -> str:
    ready = NOT_YET if one.ready_h is None else f"{one.ready_h:.1f}"
    return f"{one.likely_h:>6.1f}{one.sure_h:>7.1f}{ready:>7}{one.dips:>6}"


def _middle(promises: Sequence[Promise], moment: Callable[[Promise], datetime]) -> float:
    return median(hours_of(moment(one) - one.dipped) for one in promises)
