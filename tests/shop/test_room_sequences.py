"""Random lives of a room: whatever people and sensors do, the promises of a verdict hold at every instant.

The machine keeps its own book of when good air was last measured, when each tree was last dipped and whether the clock
stands; it judges what is said by the interface's rules, never by the room's inner state.
"""

import dataclasses
from collections import Counter
from datetime import datetime, timedelta
from typing import ClassVar

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import SlurryCheck, SlurryUndo
from drymon.shop.facts.outcome import RackStatus, State, TreeGone, Verdict
from drymon.shop.facts.setup import Tank
from tests.shop.invented_shop import MODELS, SETUP, STEADY, Shop, codes, reading

T, RH, SPEED = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW
TREES = ("t-1", "t-2", "t-3")
STALE = timedelta(minutes=10)
QUICK = {
    name: dataclasses.replace(
        one, parameters={**one.parameters, "water": dataclasses.replace(one.parameters["water"], centre=0.02)}
    )
    for name, one in MODELS.items()
}

TANK = Tank("tank-1", ("prime", "middle", "coarse", "timed"), cup="iso-2431-4", seconds=(35.0, 45.0))
ROOM = dataclasses.replace(SETUP, tanks=(TANK,))

trees = st.sampled_from(TREES)
racks = st.sampled_from(("rack-a", "rack-b"))
coats = st.sampled_from(("prime", "middle", "coarse", "timed", "gentle", "steady", "seal", "gold"))
airs = st.sampled_from(
    (
        STEADY,
        {T: 22.0, RH: 45.0},
        {**STEADY, RH: 30.0, SPEED: 4.0},
        {**STEADY, RH: 90.0},
        {T: 26.5, RH: 60.0, SPEED: 0.0},
    )
)
broken = st.sampled_from((None, {T: 22.0}, {RH: 45.0}, {T: 85.0, RH: 45.0}, {T: 22.0, RH: 0.0}))


class Life(RuleBasedStateMachine):
    """One room, two racks, three trees."""

    seen: ClassVar[Counter[State]] = Counter()

    def __init__(self) -> None:
        super().__init__()
        self.shop = Shop(ROOM, QUICK)
        self.good_t: datetime | None = None
        self.good_rh: datetime | None = None
        self.clock_stands = True
        self.dips: dict[str, list[datetime]] = {}
        self.before: dict[str, list[list[datetime]]] = {}
        self.read = 0
        self.standing: dict[str, Verdict] = {}
        self.last_time: datetime | None = None

    # What happens

    @rule(air=airs, minutes=st.sampled_from((1, 4, 15, 45)))
    def good_air(self, air: dict[Quantity, float], minutes: int) -> None:
        self.shop.run(minutes / 60, air)
        # A value that jumps is doubted at first; what the machine calls good is what the room cannot but believe.
        self.good_t = self.good_rh = self.shop.now

    @rule(minutes=st.sampled_from((5, 30, 90)))
    def all_is_well(self, minutes: int) -> None:
        self.shop.clock(known=True)
        self.clock_stands = True
        self.good_air(STEADY, minutes)

    @rule(tree=trees, coat=coats, minutes=st.sampled_from((10, 60, 120)))
    def a_coat_in_peace(self, tree: str, coat: str, minutes: int) -> None:
        self.all_is_well(5)
        self.dip(tree, coat, "rack-a", "open")
        self.all_is_well(minutes)

    @rule(tree=trees)
    def a_grade_is_skipped(self, tree: str) -> None:
        self.a_coat_in_peace(tree, "prime", 10)
        self.a_coat_in_peace(tree, "coarse", 10)

    @rule(air=broken, minutes=st.sampled_from((1, 9, 12, 40)))
    def missing_or_broken_air(self, air: dict[Quantity, float] | None, minutes: int) -> None:
        self.shop.run(minutes / 60, air)
        if air and air.get(T) == 22.0:
            self.good_t = self.shop.now
        if air and air.get(RH) == 45.0:
            self.good_rh = self.shop.now

    @rule(quantity=st.sampled_from((T, RH)))
    def retained(self, quantity: Quantity) -> None:
        self.shop.room.tell([reading(self.shop.now, quantity, STEADY[quantity], retained=True)])

    def told(self, tree: str, dips: list[datetime] | None = None) -> None:
        """Something is said of a tree, which an undo takes back: it then has the dips that it had before."""
        had = self.dips.get(tree, [])
        self.before.setdefault(tree, []).append(had)
        self.dips[tree] = had if dips is None else dips

    @rule(tree=trees, coat=coats, rack=racks, shelter=st.sampled_from((None, "open", "deep")))
    def dip(self, tree: str, coat: str, rack: str, shelter: str | None) -> None:
        self.shop.now += timedelta(seconds=1.5)
        verdict = self.shop.dip(tree, coat, rack, shelter)
        self.shop.now += timedelta(seconds=58.5)
        self.told(tree, [*self.dips.get(tree, []), verdict.dipped_at])
        assert not verdict.safe_to_redip
        assert verdict.state is not State.COMPLETE

    @rule(tree=trees, finding=st.sampled_from(("sound", "repaired", "scrap")))
    def look(self, tree: str, finding: str) -> None:
        self.shop.look(tree, finding)
        self.told(tree, [] if finding == "scrap" else None)

    @rule(tree=trees, finding=st.sampled_from(("wet", "dry")))
    def feel(self, tree: str, finding: str) -> None:
        self.shop.felt(tree, finding)
        self.told(tree)

    @rule(tree=trees, rack=racks)
    def move(self, tree: str, rack: str) -> None:
        self.shop.move(tree, rack)
        self.told(tree)

    @rule(tree=trees, mass=st.floats(2.0, 6.0))
    def weigh(self, tree: str, mass: float) -> None:
        self.shop.weigh(tree, mass)
        self.told(tree)

    @rule(tree=trees)
    def undo(self, tree: str) -> None:
        self.shop.undo(tree)
        if self.before.get(tree):
            self.dips[tree] = self.before[tree].pop()

    @rule(tree=trees)
    def leave(self, tree: str) -> None:
        self.shop.leave(tree)
        self.told(tree, [])

    @rule(seconds=st.sampled_from((None, 20.0, 40.0, 70.0)), hours=st.sampled_from((0.0, 2.0)), tree=trees)
    def a_cup_is_told_or_taken_back(self, seconds: float | None, hours: float, tree: str) -> None:
        """Then a tree is dipped in that tank, or was."""
        measured = self.shop.now - timedelta(hours=hours)
        if seconds is None:
            self.shop.tell(SlurryUndo(time=self.shop.now, arrived=self.shop.now, slurry="tank-1"))
        else:
            self.shop.tell(SlurryCheck(time=measured, arrived=self.shop.now, slurry="tank-1", seconds=seconds))
        self.a_coat_in_peace(tree, "middle", 60)

    @rule(rack=racks, on=st.booleans())
    def fan(self, rack: str, on: bool) -> None:
        self.shop.fan(rack, on)

    @rule(known=st.booleans())
    def clock(self, known: bool) -> None:
        self.shop.clock(known)
        self.shop.run(1 / 60, None)
        self.clock_stands = known

    # What must hold

    @invariant()
    def what_was_said_keeps_the_rules(self) -> None:
        said, self.read = self.shop.said[self.read :], len(self.shop.said)
        for one in said:
            if self.last_time is not None:
                assert one.time >= self.last_time, "time went back"
            self.last_time = one.time
            if isinstance(one, Verdict):
                self.judge(one)
                self.standing[one.tree] = one
            elif isinstance(one, TreeGone):
                del self.standing[one.tree]
            elif isinstance(one, RackStatus):
                last = {name for name in one.trees if self.standing[name].last_coat}
                awaiting = {s for name, s in one.trees.items() if s is not State.COMPLETE and name not in last}
                assert one.ready == (awaiting == {State.READY})

    def judge(self, verdict: Verdict) -> None:
        self.seen[verdict.state] += 1
        assert verdict.safe_to_redip is (verdict.state is State.READY)
        assert len(codes(verdict)) == len(verdict.reasons)
        if verdict.state is State.UNKNOWN:
            assert codes(verdict) & {"air-unknown", "coat-unknown", "clock-unknown"}
            assert verdict.dry_at.early is verdict.dry_at.best is verdict.dry_at.late is None
        if verdict.state is State.READY:
            assert verdict.dryness is not None
            before = self.standing.get(verdict.tree)
            stands = before is not None and before.state is State.READY and before.dipped_at == verdict.dipped_at
            # In damp air a call that stands may lose a little before it is taken back.
            assert verdict.dryness.low >= (0.93 if stands else 0.95 - 1e-6)
            assert verdict.dry_at.late is not None
            assert verdict.dry_at.late <= verdict.time
            assert verdict.time > verdict.dipped_at
            assert codes(verdict) <= {
                "airflow-assumed", "starting-model", "outside-experience", "buried-water", "redipped-early",
            }  # fmt: skip
        if verdict.dryness is not None:
            assert 0.0 <= verdict.dryness.low <= verdict.dryness.best <= verdict.dryness.high <= 1.0

    @invariant()
    def never_ready_without_evidence(self) -> None:
        blind = any(good is None or self.shop.now - good > STALE for good in (self.good_t, self.good_rh))
        for verdict in self.shop.room.standing().trees.values():
            if verdict.time < self.shop.now - timedelta(minutes=1):
                continue  # judged while there was evidence; looked at again within the minute
            if blind or not self.clock_stands:
                assert verdict.state in (State.UNKNOWN, State.COMPLETE), verdict

    @invariant()
    def exactly_the_trees_that_hang_there_are_judged(self) -> None:
        standing = self.shop.room.standing()
        assert {tree for tree, dips in self.dips.items() if dips} == set(standing.trees)
        hanging = [tree for rack in standing.racks.values() for tree in rack.trees]
        if standing.racks and hanging:
            assert sorted(hanging) == sorted(standing.trees)


def test_random_lives_keep_every_promise() -> None:
    run_state_machine_as_test(
        Life,
        settings=settings(
            max_examples=30,
            stateful_step_count=20,
            deadline=None,
            derandomize=True,
            phases=(Phase.explicit, Phase.generate),
            suppress_health_check=list(HealthCheck),
        ),
    )
    assert set(Life.seen) == set(State), "lives too dull to prove anything"
