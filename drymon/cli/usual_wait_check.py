"""What `drymon check` says of the usual waits in room.toml: whether they are counted, and whether they can be right."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Literal

import numpy as np

from drymon.drying import usual_wait
from drymon.drying.coat_model import CoatModel
from drymon.shop.facts.setup import CoatType, RoomSetup
from drymon.shop.tree.starting import model_of
from drymon.shop.tree.usual_dip import usual_dip

Told = tuple[Literal["ok", "look"], str, str]
"""Verdict, words, what to do."""

FAR = 0.5
"""Chance that an answer says nothing from which it plainly disagrees with the model."""

MOSTLY = (0.05, 0.5, 0.95)


def usual_waits(room: RoomSetup, models: Mapping[str, CoatModel]) -> Iterator[Told]:
    """One for each coat that has a usual wait and a model."""
    for kind in room.coats:
        start = model_of(replace(kind, usual_wait_h=None), models, room)
        if kind.usual_wait_h is not None and start is not None:
            yield _told(kind, kind.usual_wait_h, start, room)


def _told(kind: CoatType, wait: float, start: CoatModel, room: RoomSetup) -> Told:
    longest = kind.longest_wait_h
    if longest is not None and wait > longest:
        words = f"{kind.name}: {wait:g} h is past its longest_wait_h of {longest:g} h, after which trees are held"
        return "look", words, "set longest_wait_h in room.toml as your shop has it, or correct usual_wait_h"
    if not start.is_starting_model:
        return "ok", f"{kind.name}: {wait:g} h counts no more: its model has this shop's weighed runs", ""
    hours = usual_wait.hours_to_dry(start, usual_dip(kind, room))
    if usual_wait.chance_it_says_nothing(wait, hours) < FAR:
        return "ok", f"{kind.name}: {wait:g} h is counted in its starting model", ""
    low, middle, high = (_hours(float(value)) for value in np.quantile(hours, MOSTLY, method="lower"))
    words = (
        f"{kind.name}: {wait:g} h is far from what an open tree of it takes by its starting model, likely {middle} h "
        f"({low} to {high} h): it is counted little"
    )
    remedy = "is it in hours, and of open trees? If it is right, weigh some dryings: `drymon fit` learns from them"
    return "look", words, remedy


def _hours(hours: float) -> str:
    """`0.41`, `3.6`, `28`; beyond the forecast no number is said."""
    if hours > 336.0:
        return "over 336"
    return f"{hours:.0f}" if hours >= 10.0 else f"{hours:.2g}"
