"""An invented shop for tests of the room: sensors that report each minute, trees, and a book of what was said."""

import dataclasses
import math
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime, timedelta

from drymon.drying.coat_model import DIP_PARAMETERS, CoatModel, Spread
from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import (
    ClockChecked,
    Dip,
    FanSwitched,
    Felt,
    Leave,
    LogEvent,
    Look,
    Move,
    Undo,
    Weigh,
)  # fmt: skip
from drymon.shop.facts.outcome import Outcome, RackStatus, State, Verdict
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.setup import Band, Cell, CoatType, Rack, Recipe, RoomSetup
from drymon.shop.fold.room import Room

BEGIN = datetime(2031, 3, 3, 6, 0, tzinfo=UTC)

# Thin coats: quick to dry, so that days of a shop pass in a second of a test.
SPREADS = {
    "water": (0.1, 0.2), "cooling": (0.4, 0.5),
    "transfer": (1.2, 0.2), "critical": (0.6, 0.3), "exponent": (1.0, 0.2), "inner": (250.0, 0.3),
    "liquid": (0.25, 0.5), "sorption": (0.02, 0.3), "soak": (0.15, 0.3), "sunk": (0.05, 0.3), "pocketed": (0.5, 0.2),
    "deep": (0.6, 0.3), "pocketed_share": (0.15, 0.5), "deep_share": (0.1, 0.5), "end": (0.05, 0.5),
    "pace": (1.0, 0.05), "growth_3": (1.02, 0.03), "growth_5": (1.02, 0.03), "growth_8": (1.02, 0.03),
    "growth_12": (1.02, 0.03), "damp": (1.0, 0.05), "warm": (1.0, 0.05), "wind": (1.0, 0.05),
}  # fmt: skip


def model(name: str, runs: int = 12, **changed: object) -> CoatModel:
    """A coat model of a shop that has weighed: open, pocketed and deep trees, in every air and speed of a room."""
    base = CoatModel(
        name=name,
        family="backup",
        parameters={key: Spread(*values) for key, values in SPREADS.items()},
        dip_sd=dict.fromkeys(DIP_PARAMETERS, 0.08),
        seen={"temperature_c": (10, 35), "humidity_pct": (15, 98), "airflow_m_per_s": (0, 5), "number": (1, 20)},
        runs=runs,
        shelters_learned=("pocketed", "deep") if runs else (),
    )
    return dataclasses.replace(base, **changed)


COATS = (
    CoatType("prime", "prime", stucco_mesh=(80, 120)),
    CoatType("middle", "backup", stucco_mesh=(50, 80)),
    CoatType("backup", "backup", stucco_mesh=(30, 50)),
    CoatType("coarse", "backup", stucco_mesh=(10, 20)),
    CoatType("timed", "backup", shortest_wait_h=4.0, longest_wait_h=6.0),
    CoatType("gentle", "prime", fastest_loss_pct_per_h=60.0),
    CoatType("steady", "prime", room=Band(swing_c=3.0)),
    CoatType("seal", "seal", stucco_mesh=()),
    CoatType("rough", "backup"),
)
RECIPES = (
    Recipe("short", ("prime", "middle", "backup")),
    Recipe("long", ("middle", "backup", "backup", "backup", "seal")),
)
SETUP = RoomSetup(
    name="shop",
    racks=(Rack("rack-a"), Rack("rack-b"), Rack("rack-c", air=("rack-c",))),
    cells=(Cell("cell-1", "rack-a"),),
    coats=COATS,
    recipes=RECIPES,
)
MODELS = {coat.name: model(coat.name) for coat in COATS}

Air = Mapping[Quantity, float]
STEADY: Air = {Quantity.TEMPERATURE: 22.0, Quantity.HUMIDITY: 45.0, Quantity.AIRFLOW: 1.0}


def at(hours: float) -> datetime:
    """So many hours after the beginning."""
    return BEGIN + timedelta(seconds=round(hours * 3600.0, 3))


class Shop:
    """A room that is fed a minute at a time; `said` keeps every outcome with the stream time of its saying."""

    def __init__(self, setup: RoomSetup = SETUP, models: Mapping[str, CoatModel] = MODELS) -> None:
        self.room = Room(setup, models)
        self.now = BEGIN
        self.said: list[Outcome] = []
        self.room.advance(BEGIN)

    def run(
        self,
        hours: float,
        air: Air | Callable[[float], Air] | None = STEADY,
        place: str = "room",
        until: Callable[[], bool] | None = None,
    ) -> bool:
        """Minutes of this air (or of a function of the hour since the beginning; None: silence); stops when `until`."""
        for _ in range(round(hours * 60)):
            minute = air((self.now - BEGIN).total_seconds() / 3600.0) if callable(air) else air
            stamp = self.now + timedelta(seconds=10)
            self.said += self.room.advance(stamp)
            self.room.tell([reading(stamp, quantity, value, place) for quantity, value in (minute or {}).items()])
            self.now += timedelta(minutes=1)
            self.said += self.room.advance(self.now)
            if until is not None and until():
                return True
        return False

    def tell(self, event: LogEvent) -> list[Outcome]:
        """A log event arrives now and is judged at once."""
        self.said += self.room.advance(event.arrived)
        self.room.tell([event])
        new = self.room.judge_now(event.arrived)
        self.said += new
        return new

    def dip(self, tree: str, coat: str, rack: str = "rack-a", shelter: str | None = "open", **more: object) -> Verdict:
        """Dip a tree now; returns the first verdict."""
        stamp = more.pop("time", self.now)
        event = Dip(time=stamp, arrived=self.now, tree=tree, rack=rack, coat=coat, shelter=shelter, **more)
        new = self.tell(event)
        return next(said for said in new if isinstance(said, Verdict) and said.tree == tree)

    def look(self, tree: str, finding: str = "sound") -> list[Outcome]:
        """Somebody looks now."""
        return self.tell(Look(time=self.now, arrived=self.now, tree=tree, finding=finding))

    def felt(self, tree: str, finding: str, where: str = "face") -> list[Outcome]:
        return self.tell(Felt(time=self.now, arrived=self.now, tree=tree, finding=finding, where=where))

    def weigh(self, tree: str, mass: float) -> list[Outcome]:
        return self.tell(Weigh(time=self.now, arrived=self.now, tree=tree, mass=mass))

    def move(self, tree: str, rack: str, cell: str | None = None) -> list[Outcome]:
        return self.tell(Move(time=self.now, arrived=self.now, tree=tree, rack=rack, cell=cell))

    def undo(self, tree: str) -> list[Outcome]:
        return self.tell(Undo(time=self.now, arrived=self.now, tree=tree))

    def leave(self, tree: str) -> list[Outcome]:
        return self.tell(Leave(time=self.now, arrived=self.now, tree=tree))

    def fan(self, rack: str, on: bool) -> list[Outcome]:
        return self.tell(FanSwitched(time=self.now, arrived=self.now, rack=rack, on=on))

    def clock(self, known: bool) -> list[Outcome]:
        return self.tell(ClockChecked(time=self.now, arrived=self.now, known=known))

    def tree(self, name: str) -> Verdict:
        """The verdict that stands."""
        return self.room.standing().trees[name]

    def rack(self, name: str) -> RackStatus:
        return self.room.standing().racks[name]

    def verdicts(self, tree: str) -> list[Verdict]:
        return [said for said in self.said if isinstance(said, Verdict) and said.tree == tree]

    def until(self, tree: str, state: State, hours: float = 72.0, air: Air | Callable[[float], Air] = STEADY) -> float:
        """Run until the tree is in this state; hours since the beginning."""
        assert self.run(hours, air, until=lambda: self.tree(tree).state is state), self.tree(tree)
        return (self.now - BEGIN).total_seconds() / 3600.0


def reading(
    stamp: datetime, quantity: Quantity, value: float, place: str = "room", sensor: str = "", **more: object
) -> Reading:
    """A reading that arrives when it is taken."""
    more.setdefault("arrived", stamp)
    return Reading(time=stamp, place=place, quantity=quantity, value=value, sensor=sensor, **more)


def codes(verdict: Verdict) -> set[str]:
    """Reason codes of a verdict."""
    return {reason.code for reason in verdict.reasons}


def text(verdict: Verdict, code: str) -> str:
    """The text that goes with a code."""
    return next(reason.text for reason in verdict.reasons if reason.code == code)


def gone(outcomes: Iterable[Outcome]) -> list[Outcome]:
    return [said for said in outcomes if type(said).__name__ == "TreeGone"]


def close(one: float, other: float, within: float) -> bool:
    return math.isclose(one, other, abs_tol=within)
