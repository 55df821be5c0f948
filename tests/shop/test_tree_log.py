"""One tree's log: the order of its events, what of it is folded and what not yet, what was said of it and when."""

import math
from datetime import datetime, timedelta

import numpy as np
import pytest

from drymon.shop.facts.events import CellMass, Dip, Felt, Leave, Look, Move, TreeEvent, Undo, Weigh
from drymon.shop.facts.outcome import Reason, State, Verdict
from drymon.shop.fold.tree_log import TreeLog
from drymon.shop.tree.state import TreeState, World
from tests.replaced import replace
from tests.shop.invented_shop import BEGIN, Shop

START = BEGIN.timestamp()


@pytest.fixture(scope="module")
def shop() -> Shop:
    made = Shop()
    made.run(0.75)
    return made


@pytest.fixture(scope="module")
def world(shop: Shop) -> World:
    return shop.room.world


@pytest.fixture(scope="module")
def verdict(shop: Shop) -> Verdict:
    return shop.dip("t-9", "middle", time=at(5))


def at(minutes: float) -> datetime:
    return BEGIN + timedelta(minutes=minutes)


def s(minutes: float) -> float:
    return START + 60.0 * minutes


def told(kind: type[TreeEvent], minutes: float, arrived: float | None = None, **more: object) -> TreeEvent:
    """An event of that minute, told then or later."""
    came = at(minutes if arrived is None else arrived)
    return kind(**{"time": at(minutes), "arrived": came, "tree": "t-1", **more})  # type: ignore[arg-type]


def dip(minutes: float = 5.0, arrived: float | None = None, **more: object) -> TreeEvent:
    return told(Dip, minutes, arrived, **{"rack": "rack-a", "coat": "middle", "shelter": "open", **more})


def mass(minutes: float, kg: float = 3.0) -> CellMass:
    return CellMass(time=at(minutes), arrived=at(minutes), tree="t-1", mass=kg, sd=5e-4)


def log_of(world: World, *events: TreeEvent) -> TreeLog:
    log = TreeLog(world, "t-1")
    for event in events:
        log.add(event)
    return log


def state(log: TreeLog, minutes: float) -> TreeState:
    found = log.state(s(minutes))
    assert found is not None
    return found


def weighed_at(log: TreeLog, minutes: float) -> list[float]:
    return [round((seen - START) / 60.0, 6) for seen in state(log, minutes).weighings.cell.times]


# --- order -----------------------------------------------------------------------------------------------------------


def test_what_a_cell_has_said_stays_when_people_tell_more() -> None:
    log = log_of(Shop().room.world, dip(cell="cell-1"), mass(10), mass(15), mass(20))
    assert weighed_at(log, 22) == [10, 15, 20]
    log.add(told(Weigh, 21, mass=3.0))
    assert weighed_at(log, 22) == [10, 15, 20]


def test_a_mass_that_comes_late_takes_its_place_in_time(world: World) -> None:
    log = log_of(world, dip(cell="cell-1"), mass(10), mass(20))
    assert weighed_at(log, 22) == [10, 20]
    log.add(mass(15))
    assert weighed_at(log, 22) == [10, 15, 20]
    assert [event.time for event in log.events] == [at(5), at(10), at(15), at(20)]


def test_a_mass_of_the_instant_up_to_which_was_folded_counts_from_then_on(world: World) -> None:
    log = log_of(world, dip(cell="cell-1"))
    state(log, 20)
    log.add(mass(20))
    assert weighed_at(log, 20) == [20]


def test_a_mass_of_before_what_was_folded_meets_the_water_of_its_own_time(world: World) -> None:
    prompt, late = (log_of(world, dip(cell="cell-1")) for _ in range(2))
    state(late, 20)
    for log in (prompt, late):
        log.add(mass(12))
    one, other = (state(log, 20).weighings.cell.water[0] for log in (prompt, late))
    np.testing.assert_array_equal(one, other)


def test_masses_that_are_another_trees_go_and_others_come(world: World) -> None:
    first, second, strange = mass(10), mass(15), mass(12)
    log = log_of(world, dip(cell="cell-1"), first, second)
    assert weighed_at(log, 22) == [10, 15]
    log.exchange([first], [strange])
    assert weighed_at(log, 22) == [12, 15]


def test_what_was_told_first_stands_first_of_one_instant(world: World) -> None:
    """Without a place on record the order of telling counts; an undo takes the last."""
    words = [told(Felt, 10, finding=finding, where="face") for finding in ("wet", "dry")]
    log = log_of(world, dip(), *words)
    assert log.events[1:] == tuple(replace(word, place=place) for word, place in zip(words, (2.0, 3.0), strict=True))
    undo = told(Undo, 11, place=4.0)
    log.add(undo)
    assert [getattr(event, "finding", "") for event in log.events] == ["", "wet"]
    taken = log.taken_by(undo)  # type: ignore[arg-type]
    assert isinstance(taken, Felt)
    assert taken.finding == "dry"


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (3, 1, 0, 2), (2, 3, 1, 0)])
def test_whenever_it_is_told_and_looked_at_the_tree_is_the_same(world: World, order: tuple[int, ...]) -> None:
    """Late, early, at the second of an event, before it: what was folded too far is folded anew.

    Nearly the same: a minute that somebody looked at half way was stepped in two pieces.
    """
    events = [
        dip(place=1.0),
        told(Felt, 12.5, finding="wet", where="face", place=2.0),
        told(Felt, 20, finding="dry", where="face", place=3.0),
        dip(30, coat="backup", place=4.0),
    ]
    whole = log_of(world, *events)
    log = TreeLog(world, "t-1")
    for place in order:
        log.add(events[place])
        log.state(s(35))
        log.state(s(12))
    for minutes in (5, 7.5, 12.5, 20, 29.9, 30, 40):
        one, other = state(whole, minutes), log.state(s(minutes), keep=False)
        assert other is not None
        assert (one.number, one.dip, one.at) == (other.number, other.dip, other.at)
        assert one.water is not None
        assert other.water is not None
        np.testing.assert_allclose(one.water.weights, other.water.weights, rtol=1e-3)
        np.testing.assert_allclose(one.water.left, other.water.left, rtol=1e-3)
    assert log.state(s(4.99), keep=False) is None


# --- what is folded, and what not yet --------------------------------------------------------------------------------


def test_a_tree_owes_the_minutes_since_it_was_folded(world: World) -> None:
    log = log_of(world, dip())
    assert (log.owes(s(4)), log.owes(s(5)), log.owes(s(15))) == (0.0, 0.0, 600.0)
    state(log, 10)
    assert (log.owes(s(8)), log.owes(s(10)), log.owes(s(15))) == (0.0, 0.0, 300.0)
    log.add(told(Felt, 7, 12, finding="wet", where="face"))
    assert log.owes(s(15)) == pytest.approx(600.0), "back to the dip, as what was folded since is of no use"
    assert TreeLog(world, "t-2").owes(s(15)) == 0.0


def test_a_tree_that_does_not_dry_owes_nothing_until_something_happens(world: World) -> None:
    """Its coat is unknown, or complete, or it has left."""
    unknown = log_of(world, dip(coat="no-such-coat"))
    left = log_of(world, dip(), told(Leave, 8))
    for log in (unknown, left):
        log.state(s(10))
        assert log.owes(s(40)) == 0.0
        log.add(dip(30))
        assert log.owes(s(40)) == 600.0
        assert log.owes(s(29)) == 0.0


def test_only_who_has_begun_lags(world: World) -> None:
    log = log_of(world, dip())
    assert [log.lags(s(minutes)) for minutes in (4.9, 5, 10)] == [False, True, True]
    state(log, 10)
    assert [log.lags(s(minutes)) for minutes in (9, 10, 11)] == [False, False, True]
    assert not TreeLog(world, "t-2").lags(s(10))


def test_trees_to_which_something_happens_are_not_stepped_with_the_others(world: World, verdict: Verdict) -> None:
    """To the second: within the next minute, its end included."""
    for minutes, steady in ((19.5, True), (20, True), (20.5, False), (21, False), (21.01, True)):
        log = log_of(world, dip(), told(Felt, minutes, finding="wet", where="face"))
        found = state(log, 20)
        assert (log.steady(s(20)) is not None) is steady
        assert log.steady(s(19)) is None
        assert found.at == s(20)
    for other in (dip(coat="no-such-coat"), told(Leave, 8)):
        log = log_of(world, dip(), other)
        log.state(s(20))
        assert log.steady(s(20)) is None
    assert TreeLog(world, "t-2").steady(s(20)) is None
    complete = log_of(world, dip())
    state(complete, 20)
    complete.said(s(19), replace(verdict, dipped_at=at(5), state=State.COMPLETE))
    assert complete.steady(s(20)) is None


def test_a_step_that_was_made_together_is_gone_on_from(world: World) -> None:
    log = log_of(world, dip(), told(Felt, 30, finding="wet", where="face"))
    ahead = replace(state(log, 20), at=s(21), gap_s=7.0)
    log.stepped(ahead)
    assert log.newest() is ahead
    assert (log.owes(s(21)), state(log, 25).gap_s) == (0.0, 7.0)
    assert len(state(log, 31).touches) == 1


def test_without_keeping_the_next_fold_begins_where_it_would_have(world: World) -> None:
    log = log_of(world, dip(), told(Felt, 12, finding="wet", where="face"))
    state(log, 10)
    log.state(s(15), keep=False)
    newest = log.newest()
    assert newest is not None
    assert newest.at == s(10)


# --- where it hangs --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("events", "since"),
    [
        ([dip(5, cell="cell-1")], 5),
        ([dip(5, cell="cell-1"), dip(9)], 5),  # the next coat, on the same rack
        ([dip(5, cell="cell-1"), dip(9, number=2)], 5),
        ([dip(5, cell="cell-1"), dip(9, rack="rack-b")], None),
        ([dip(5, cell="cell-1"), dip(9, number=1)], None),  # another piece of the same name
        ([dip(5, cell="cell-1"), dip(9, cell="cell-1")], 9),
        ([dip(5, cell="cell-1"), dip(9, cell="cell-2")], None),
        ([dip(5, cell="cell-1"), told(Move, 9, rack="rack-a")], None),
        ([dip(5), told(Move, 9, rack="rack-a", cell="cell-1")], 9),
        ([told(Move, 3, rack="rack-a", cell="cell-1"), dip(5)], None),  # it was not in the room
        ([dip(5, cell="cell-1"), told(Leave, 9)], None),
        ([dip(5, cell="cell-1"), told(Leave, 9), told(Move, 11, rack="rack-a", cell="cell-1")], None),
        ([dip(5, cell="cell-1"), told(Leave, 9), dip(11)], None),
        ([dip(5, cell="cell-1"), told(Felt, 9, finding="wet")], 5),
    ],
)
def test_since_when_a_tree_hangs_on_a_cell(world: World, events: list[TreeEvent], since: float | None) -> None:
    found = log_of(world, *events).on_cell_since("cell-1")
    assert found == (None if since is None else s(since))


def test_where_it_hung_at_a_moment(world: World) -> None:
    log = log_of(world, dip(5, cell="cell-1"), told(Move, 9, rack="rack-a", cell="cell-2"))
    assert [log.on_cell_since("cell-1", at(minutes)) for minutes in (4.9, 5, 8.9, 9)] == [None, s(5), s(5), None]
    assert log.cells == {"cell-1", "cell-2"}


def test_a_tree_has_used_the_racks_that_it_was_told_to_hang_on(world: World) -> None:
    log = log_of(world, dip(), told(Felt, 8, finding="wet"), told(Move, 9, rack="rack-b"))
    assert [log.uses_rack(rack) for rack in ("rack-a", "rack-b", "rack-c")] == [True, True, False]


def test_an_outline_is_where_it_hangs_and_under_which_coat(world: World) -> None:
    log = log_of(world, dip(), told(Move, 9, rack="rack-b"), dip(20, coat="backup", rack="rack-c"), told(Leave, 30))
    seen = [log.outline(s(minutes)) for minutes in (4.9, 5, 9, 19.9, 20, 30)]
    assert [None if one is None else (one.rack, one.dip.coat, one.number) for one in seen] == [
        None, ("rack-a", "middle", 1), ("rack-b", "middle", 1), ("rack-b", "middle", 1), ("rack-c", "backup", 2), None,
    ]  # fmt: skip
    assert seen[3] is not None
    assert (seen[3].at, seen[3].worked_out, seen[3].water) == (s(19.9), False, None)


# --- gone ------------------------------------------------------------------------------------------------------------


def test_a_tree_is_gone_since_all_that_was_told_of_it(world: World) -> None:
    """Also what was told after its leaving, and what was said to happen later."""
    log = log_of(world, dip(), told(Leave, 10, 20))
    log.state(s(30))
    assert [log.gone_since(s(minutes)) for minutes in (10, 19.9, 20)] == [False, False, True]
    hangs = log_of(world, dip())
    state(hangs, 30)
    assert not hangs.gone_since(s(30))


def test_what_happened_since(world: World) -> None:
    log = log_of(world, dip(), told(Felt, 8, finding="wet"))
    assert [log.happened_since(at(minutes)) for minutes in (7.9, 8, 9)] == [True, False, False]
    assert not TreeLog(world, "t-2").happened_since(at(0))


# --- what was said ---------------------------------------------------------------------------------------------------


def test_a_tree_is_complete_from_the_first_time_that_it_was_said(world: World, verdict: Verdict) -> None:
    complete = replace(verdict, dipped_at=at(5), state=State.COMPLETE)
    log = log_of(world, dip())
    for minutes in (12, 10, 14):
        log.said(s(minutes), complete)
    assert [log.is_complete(at(5), s(minutes)) for minutes in (9.9, 10, 20)] == [False, True, True]
    assert not log.is_complete(at(6), s(20))
    assert (state(log, 9).complete, state(log, 15).complete) == (False, True)
    log.said(s(16), replace(complete, state=State.DRYING))
    assert not log.is_complete(at(5), s(20))


def test_what_was_said_of_a_dip_before_anybody_told_of_it_is_said_of_another(world: World, verdict: Verdict) -> None:
    log = log_of(world, dip(5, arrived=8))
    complete = replace(verdict, dipped_at=at(5), state=State.COMPLETE)
    log.said(s(7.9), complete)
    assert not log.is_complete(at(5), s(20))
    log.said(s(8), complete)
    assert log.is_complete(at(5), s(20))


def test_what_was_said_of_a_dip_goes_with_it_alone(world: World, verdict: Verdict) -> None:
    """Another word leaves it standing; an undo takes it along, though the dip is told again with its time."""
    log = log_of(world, dip())
    log.said(s(10), replace(verdict, dipped_at=at(5), state=State.READY))
    log.add(told(Felt, 12, finding="dry", where="face"))
    assert state(log, 20).call is not None
    log.add(told(Undo, 13))
    log.add(told(Undo, 14))
    log.add(dip(5, arrived=15))
    assert state(log, 20).call is None


def test_what_was_said_of_no_dip_counts_for_none_that_is_told_later(world: World, verdict: Verdict) -> None:
    log = log_of(world, dip())
    log.said(s(10), replace(verdict, dipped_at=at(6), state=State.READY))
    log.add(dip(6, arrived=15))
    assert state(log, 20).call is None
    log.said(s(16), replace(verdict, dipped_at=at(6), state=State.READY))
    log.add(dip(6, arrived=18))
    assert state(log, 20).call is not None, "told twice, it is the same dip"


def test_the_same_word_said_again_and_again_pushes_none_out(world: World, verdict: Verdict) -> None:
    log = log_of(world, dip())
    log.said(s(10), replace(verdict, dipped_at=at(5), state=State.READY))
    for minutes in range(150):
        log.said(s(11 + minutes / 60.0), replace(verdict, dipped_at=at(5), state=State.DRYING))
    call = state(log, 20).call
    assert call is not None
    assert (call.at, call.stands) == (s(10), False)


def test_late_air_takes_back_that_it_was_complete_after_it(world: World, verdict: Verdict) -> None:
    log = log_of(world, dip())
    log.said(s(10), replace(verdict, dipped_at=at(5), state=State.COMPLETE))
    log.forget_from(s(10))
    assert log.is_complete(at(5), s(20))
    log.forget_from(s(9.9))
    assert not log.is_complete(at(5), s(20))


def test_another_model_is_no_reason_to_fold_what_is_complete_anew(world: World, verdict: Verdict) -> None:
    for complete in (True, False):
        log = log_of(world, dip())
        if complete:
            log.said(s(10), replace(verdict, dipped_at=at(5), state=State.COMPLETE))
        log.draw_anew(state(log, 20))
        assert (log.newest() is not None) is complete
        assert log.is_complete(at(5), s(20)) is complete


@pytest.mark.parametrize(("minutes", "found"), [(9.99, State.DRYING), (10, State.READY), (12, State.HOLD)])
def test_a_dip_finds_the_verdict_that_had_been_said_by_then(
    world: World, verdict: Verdict, minutes: float, found: State
) -> None:
    """To the second; what was said of an earlier dip, or in an earlier life, is no verdict on this one."""
    log = log_of(world, dip(5), dip(minutes, 20, coat="backup"))
    for said, word in ((7, State.DRYING), (10, State.READY), (12, State.HOLD), (14, State.DRYING)):
        log.said(s(said), replace(verdict, dipped_at=at(5), state=word))
    redipped = state(log, 21).redipped
    assert (State.READY if redipped is None else redipped.state) is found


def test_where_nothing_was_said_a_dip_finds_what_would_have_been(world: World) -> None:
    """By a clock that is known, unless it is said not to be."""
    for known, word in ((True, State.DRYING), (False, State.UNKNOWN)):
        log = log_of(world, dip(5), dip(10, coat="backup"))
        found = log.state(s(11)) if known else log.state(s(11), clock_known=False)
        assert found is not None
        assert found.redipped is not None
        assert found.redipped.state is word


def test_a_look_releases_what_was_said_right_before_it_and_at_its_instant(world: World, verdict: Verdict) -> None:
    """Not what was said before that, nor what comes after."""
    log = log_of(world, dip(), told(Look, 15, finding="sound"))
    for minutes, code in ((10, "swing"), (12, "too-long"), (15, "grade-skipped"), (16, "weight-disagrees")):
        held = replace(verdict, dipped_at=at(5), state=State.HOLD, reasons=(Reason(code, ""),))
        log.said(s(minutes), held)
    assert state(log, 20).released == {"too-long", "grade-skipped"}


def test_a_call_is_known_from_its_time_on_and_counts_for_its_own_coat(world: World, verdict: Verdict) -> None:
    log = log_of(world, dip(), dip(30, coat="backup"))
    log.said(s(10), replace(verdict, dipped_at=at(5), state=State.READY))
    calls = [state(log, minutes).call for minutes in (9.9, 10, 20, 31)]
    assert [call if call is None else (call.at, call.stands) for call in calls] == [
        None, (s(10), True), (s(10), True), None,
    ]  # fmt: skip
    assert not math.isfinite(state(log, 20).untold_at)
