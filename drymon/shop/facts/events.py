"""What people (and the clock) tell drymon: the log events, one frozen dataclass each.

Every event has `time` (when it happened, aware UTC), `arrived` (when drymon got it), `id` ("" where none), `by` and
`place`, its place in the record's order of arrival (infinite where it is not on record).
A dip is a fact: it is recorded whatever drymon thinks of it.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

Shelter = Literal["open", "pocketed", "deep"]
LATER: Mapping[str, bool] = {"later": True}
"""Marks a field that events of older records do not have: left at its default it is no part of an entry's name."""
SHELTERS: tuple[Shelter, ...] = ("open", "pocketed", "deep")


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Common to all log events."""

    time: datetime
    arrived: datetime
    id: str = ""
    by: str = ""
    place: float = field(default=math.inf, compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeEvent(Event):
    """An event about one tree."""

    tree: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip(TreeEvent):
    """A coat was put on. `number`, `shelter`, `recipe`: None where the message left them to the tree's history. label:
    what people call the tree, "" where it was not said. slurry: the tank that it was dipped in, where it was said.
    """

    rack: str
    coat: str
    number: int | None = None
    shelter: Shelter | None = None
    cell: str | None = None
    probe: str | None = None
    recipe: str | None = None
    label: str = ""
    slurry: str | None = field(default=None, metadata=LATER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Weigh(TreeEvent):
    """A bench weighing, `mass` in kg."""

    mass: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Felt(TreeEvent):
    """A finding by touch: weak evidence, never a truth. where: on the faces, or with a finger in the pockets."""

    finding: Literal["wet", "dry"]
    where: Literal["face", "pocket"] = "face"

    @property
    def words(self) -> str:
        """`felt wet`, `felt dry in a pocket`."""
        return f"felt {self.finding}" + (" in a pocket" if self.where == "pocket" else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Look(TreeEvent):
    """Somebody looked: releases the reasons that hold, for this coat. "scrap" takes the tree out of the room."""

    finding: Literal["sound", "repaired", "scrap"]
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move(TreeEvent):
    """The tree hangs elsewhere now."""

    rack: str
    cell: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Leave(TreeEvent):
    """The tree left the room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Undo(TreeEvent):
    """Takes back what was said last of the tree and still stands, or the entry of this name (`standing.entry_of`)."""

    entry: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FanSwitched(Event):
    """The rack's fans were switched."""

    rack: str
    on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TankEvent(Event):
    """An event about one tank, `slurry` its name."""

    slurry: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SlurryCheck(TankEvent):
    """A tank was looked after: what was measured once water was in and stirred, None where it was not.

    coats, cup: else as room.toml has them. seconds: out of the cup. temperature in degC, density in kg/L, water_added
    in litres since the last check. stirred: it was stirred before. fresh: a new filling, what was before is another's.
    """

    coats: tuple[str, ...] = ()
    cup: str | None = None
    seconds: float | None = None
    temperature: float | None = None
    density: float | None = None
    ph: float | None = None
    water_added: float | None = None
    stirred: bool = False
    fresh: bool = False
    note: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "coats", tuple(self.coats))  # a list on record


@dataclass(frozen=True, slots=True, kw_only=True)
class SlurryUndo(TankEvent):
    """Takes back what was said last of the tank and still stands, or the entry of this name (`standing.entry_of`)."""

    entry: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockChecked(Event):
    """The service's own word on its clock: while `known` is false no duration can be trusted."""

    known: bool
    note: str = field(default="")


@dataclass(frozen=True, slots=True, kw_only=True)
class CellMass(TreeEvent):
    """A load cell's smoothed mass of the tree that hangs on it, `mass` and `sd` in kg: drymon's own finding.

    level, levels: what the cell shows, kg, zero and all, now and at times (s since 1970) of the last two hours;
    still_s: how long its digits have not moved; digit_kg: the smallest step that they were seen to make. rose_at,
    rose_kg: the newest lasting rise that looks like a dip (s since 1970, kg), -inf where there was none; fell_at,
    fell_kg: the newest sudden fall, as by another tree.
    """

    mass: float
    sd: float
    level: float = float("nan")
    levels: tuple[tuple[float, float], ...] = ()
    still_s: float = 0.0
    digit_kg: float = 0.0
    rose_at: float = -math.inf
    rose_kg: float = 0.0
    fell_at: float = -math.inf
    fell_kg: float = 0.0


LogEvent = Dip | Weigh | Felt | Look | Move | Leave | Undo | FanSwitched | ClockChecked | SlurryCheck | SlurryUndo
