"""The room as the page shows it: racks and trees in the order in which they need a hand."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from drymon.messages.names import natural
from drymon.readback.now import rack_now, sensor_now, sensor_status, tree_now
from drymon.shop.facts.outcome import RackStatus, SensorStatus, State, Verdict
from drymon.shop.facts.setup import CoatType, Rack, RoomSetup
from drymon.shop.verdict.reasons import WIDENING
from drymon.store import Store

ORDER = (State.HOLD, State.READY, State.UNKNOWN, State.DRYING, State.COMPLETE)
"""Who needs a hand first: someone must look, someone can dip, someone must find out, then those who dry."""

DOUBTS_LOOKED_AT = timedelta(days=14)


@dataclass(frozen=True, slots=True)
class Proposal:
    """The dip that the recipe has next."""

    coat: str
    number: int
    label: str


@dataclass(frozen=True, slots=True)
class TreeView:
    """A tree: what holds of it now, and what may be done next."""

    verdict: Verdict
    coat: CoatType | None
    total: int | None
    next: Proposal | None

    @property
    def name(self) -> str:
        """The tree's name."""
        return self.verdict.tree

    @property
    def called(self) -> str:
        """What people call it."""
        return self.verdict.called

    @property
    def state(self) -> State:
        """What holds now."""
        return self.verdict.state

    @property
    def coat_label(self) -> str:
        """The coat as the shop calls it."""
        return (self.coat.label if self.coat else "") or self.verdict.coat

    @property
    def needed(self) -> float | None:
        """Share of the water that must be gone."""
        return self.coat.dry_at if self.coat else None

    @property
    def deciding(self) -> list[str]:
        """The reasons that decide, in full."""
        return [reason.text for reason in self.verdict.reasons if reason.code not in WIDENING]

    @property
    def widening(self) -> list[str]:
        """The reasons that only widen the bounds."""
        return [reason.text for reason in self.verdict.reasons if reason.code in WIDENING]


@dataclass(frozen=True, slots=True)
class RackView:
    """A rack with its trees, the most pressing first."""

    rack: Rack
    status: RackStatus | None
    trees: Sequence[TreeView]

    @property
    def name(self) -> str:
        """The rack's name."""
        return self.rack.name

    @property
    def label(self) -> str:
        """What people call it."""
        return self.rack.label or self.rack.name


@dataclass(frozen=True, slots=True)
class RoomView:
    """Everything on the first page, fit to be shown: stale words are already unknown."""

    racks: Sequence[RackView]

    @property
    def trees(self) -> list[TreeView]:
        """All trees."""
        return [tree for rack in self.racks for tree in rack.trees]

    @property
    def counts(self) -> Mapping[State, int]:
        """How many trees are in each state, in the order of ORDER; states without a tree are left out."""
        found = [tree.state for tree in self.trees]
        return {state: found.count(state) for state in ORDER if state in found}

    def only(self, state: State | None) -> "RoomView":
        """The racks with the trees of one state, those without any left out; None: all of them."""
        if state is None:
            return self
        views = [replace(view, trees=[tree for tree in view.trees if tree.state is state]) for view in self.racks]
        return RoomView([view for view in views if view.trees])

    def rack(self, name: str) -> RackView | None:
        """The rack of that name, if the room has it."""
        return next((rack for rack in self.racks if rack.name == name), None)

    def tree(self, name: str) -> TreeView | None:
        """The tree of that name, if it hangs in the room."""
        return next((tree for tree in self.trees if tree.name == name), None)


def look(store: Store, room: RoomSetup, now: datetime, *, online: bool = True) -> RoomView:
    """The room at `now`, as the record has it. online: the service is up, as it is where the page lives in it."""
    verdicts = [tree_now(verdict, now, online) for verdict in store.current_verdicts()]
    statuses = {status.rack: rack_now(status, verdicts, now, online) for status in store.current_racks()}
    racks = list(room.racks) + [Rack(name) for name in _strangers(verdicts, room)]
    views = [RackView(rack, statuses.get(rack.name), _trees(verdicts, rack.name, room)) for rack in racks]
    return RoomView(sorted(views, key=lambda view: pressing(view.trees[0]) if view.trees else (len(ORDER), 0.0)))


def pressing(tree: TreeView) -> tuple[int, float]:
    """Sorts trees: by state, then the one whose time runs out, or comes, first."""
    verdict = tree.verdict
    moment = verdict.redip_by if verdict.state in (State.READY, State.HOLD) else verdict.dry_at.best
    return ORDER.index(verdict.state), moment.timestamp() if moment else float("inf")


def sensors(store: Store, room: RoomSetup, now: datetime) -> list[SensorStatus]:
    """Every sensor's last word."""
    doubts = list(store.doubts(from_=now - DOUBTS_LOOKED_AT))
    stale = timedelta(minutes=room.stale_after_min)
    return [sensor_now(sensor_status(reading, doubts), now, stale) for reading in store.latest_readings()]


def _strangers(verdicts: Sequence[Verdict], room: RoomSetup) -> list[str]:
    """Racks that only old trees know."""
    return sorted({verdict.rack for verdict in verdicts} - set(room.rack_by_name))


def _trees(verdicts: Sequence[Verdict], rack: str, room: RoomSetup) -> list[TreeView]:
    trees = [_tree(verdict, room) for verdict in verdicts if verdict.rack == rack]
    return sorted(sorted(trees, key=lambda tree: natural(tree.name)), key=pressing)


def _tree(verdict: Verdict, room: RoomSetup) -> TreeView:
    recipe = room.recipe_by_name.get(verdict.recipe)
    following = _proposal(room, verdict.next_coat, verdict.number + 1) if verdict.next_coat else None
    return TreeView(verdict, room.coat_by_name.get(verdict.coat), len(recipe.coats) if recipe else None, following)


def _proposal(room: RoomSetup, coat: str, number: int) -> Proposal:
    known = room.coat_by_name.get(coat)
    return Proposal(coat, number, (known.label if known else "") or coat)
