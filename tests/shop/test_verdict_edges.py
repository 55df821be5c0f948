"""Where what is said of a tree turns: the very moments and shares, and the words that go with each."""

from datetime import UTC, timedelta

import numpy as np
import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import Felt
from drymon.shop.facts.outcome import Reason, State, When
from drymon.shop.facts.setup import CoatType
from drymon.shop.tree import state as trees
from drymon.shop.tree.calls import Call
from drymon.shop.tree.redips import Redip, severity, words
from drymon.shop.tree.state import TreeState, World
from drymon.shop.tree.tree_air import advanced
from drymon.shop.verdict import judge, taking_back
from drymon.shop.verdict.advice import advice
from drymon.shop.verdict.doubts import doubts
from drymon.shop.verdict.judge import Outlook
from drymon.shop.weight.weighings import Weighings
from tests.replaced import replace
from tests.shop.invented_shop import MODELS, SETUP, codes, model, text
from tests.shop.test_advice import NOON, verdict, when
from tests.shop.test_tree_figures import MEMBERS, START, at, dip, dipped, room, series, with_left

RANKED = (np.arange(MEMBERS) + 1.0) / MEMBERS


@pytest.fixture(scope="module")
def world() -> World:
    return room()


@pytest.fixture(scope="module")
def tree(world: World) -> TreeState:
    """Three hours after its dip, in air that was known."""
    return replace(dipped(world), at=START + 3.0 * 3600.0)


# --- when it is dry --------------------------------------------------------------------------------------------------


def test_bounds_are_those_of_one_in_twenty_the_middle_and_nineteen_in_twenty(world: World, tree: TreeState) -> None:
    """Of the slowest part; 5, 50 and 95 %, of members that all count alike."""
    said = judge.verdict(world, with_left(tree, RANKED), None, UTC)
    assert said.dryness is not None
    told = said.dryness.low, said.dryness.best, said.dryness.high
    assert told == pytest.approx((0.05, 0.5, 0.95), abs=1.01 / MEMBERS)


def test_moments_are_those_of_one_in_twenty_the_middle_and_nineteen_in_twenty(world: World, tree: TreeState) -> None:
    outlook = Outlook(tree.at, tree.at + 100_000.0 * RANKED)
    said = judge.verdict(world, with_left(tree, 0.9), outlook, UTC)
    assert said.dry_at.early is not None
    assert said.dry_at.best is not None
    assert said.dry_at.late is not None
    hours = [(one - said.time).total_seconds() for one in (said.dry_at.early, said.dry_at.best, said.dry_at.late)]
    assert hours == pytest.approx([5_000.0, 50_000.0, 95_000.0], abs=400.0)


def test_who_is_wet_now_is_dry_within_a_second_at_the_earliest(world: World, tree: TreeState) -> None:
    """An outlook that is some minutes old may name a moment that has passed."""
    outlook = Outlook(tree.at - 600.0, np.full(MEMBERS, tree.at - 300.0))
    said = judge.verdict(world, with_left(tree, 0.9), outlook, UTC)
    assert said.dry_at.best == said.time + timedelta(seconds=1)
    assert said.state is State.DRYING


def test_what_has_passed_reads_as_past_and_what_is_to_come_as_to_come(world: World, tree: TreeState) -> None:
    assert tree.water is not None
    since = np.full(MEMBERS, tree.at - 10.6)
    passed = with_left(tree, 0.0)
    assert passed.water is not None
    passed = replace(passed, water=replace(passed.water, dry_since=since))
    assert judge.verdict(world, passed, None, UTC).dry_at.best == at(3.0 * 3600.0 - 11.0)
    coming = Outlook(tree.at, np.full(MEMBERS, tree.at + 10.4))
    assert judge.verdict(world, with_left(tree, 0.9), coming, UTC).dry_at.best == at(3.0 * 3600.0 + 11.0)
    assert judge.verdict(world, with_left(tree, 0.9), None, UTC).dry_at == When(None, None, None)


def test_how_much_is_gone_is_rounded_down_and_never_reads_as_enough(world: World, tree: TreeState) -> None:
    wet = judge.verdict(world, with_left(tree, 0.0549), None, UTC)
    assert text(wet, "wet") == "94 % of the water is gone; 95 % is needed, no end in sight within 14 days"
    half = with_left(tree, np.where(np.arange(MEMBERS) < 200, 0.0, 0.4))
    told = text(judge.verdict(world, half, None, UTC), "wet")
    assert told.startswith("about 100 % (for sure 60 %) of the water is gone; 95 % is needed")


@pytest.mark.parametrize(
    ("hours", "told"),
    [
        ((1, 2, 3), "expected 14:00 (13:00 to 15:00)"),
        ((0, 2, 3), "expected 14:00 (now to 15:00)"),
        ((-1, 0, 3), "sure by 15:00"),
        ((-1, 0, None), "sure beyond 14 days"),
        ((1, 2, None), "expected 14:00 (13:00 to beyond 14 days)"),
        ((None, None, None), "no end in sight within 14 days"),
    ],
)
def test_what_is_expected_is_said_as_to_come_only_until_it_has_come(hours: tuple[float | None, ...], told: str) -> None:
    assert judge.expected_words(when(*hours), NOON, UTC) == told


@pytest.mark.parametrize(
    ("best_s", "chance", "news"), [(0.0, 0.6, True), (60.0, 0.6, True), (60.0, 0.4, False), (-60.0, 0.6, False)]
)
def test_a_tree_that_has_become_likely_dry_is_news_where_that_was_ahead(
    world: World, tree: TreeState, best_s: float, chance: float, news: bool
) -> None:
    """`best_s`: how long after what was said the likely moment lay."""
    said = judge.verdict(world, with_left(tree, 0.9), None, UTC)
    moment = said.time + timedelta(seconds=best_s)
    said = replace(said, dry_at=When(None, moment, None))
    now = with_left(tree, np.where(np.arange(MEMBERS) < chance * MEMBERS, 0.0, 0.9), at=tree.at + 120.0)
    assert judge.is_news(world, now, said, True) is (news and best_s > 0.0)
    assert judge.is_news(world, replace(now, rack="rack-b"), said, True)
    assert judge.is_news(world, now, replace(said, dipped_at=said.dipped_at - timedelta(minutes=1)), True)
    assert judge.is_news(world, now, said, False), "a clock that nobody knows makes it unknown"


@pytest.mark.parametrize(("would_do", "told"), [(44.0, True), (45.0, False), (46.0, False), (None, False)])
def test_air_is_too_damp_only_where_drier_air_would_do(
    world: World, tree: TreeState, would_do: float | None, told: bool
) -> None:
    outlook = Outlook(tree.at, np.full(MEMBERS, np.inf), would_do)
    assert ("air-too-damp" in codes(judge.verdict(world, with_left(tree, 0.9), outlook, UTC))) is told
    assert "air-too-damp" not in codes(judge.verdict(world, with_left(tree, 0.0), outlook, UTC))


@pytest.mark.parametrize(("later_s", "kept"), [(1799.0, True), (1800.0, False)])
def test_a_finding_is_told_for_half_an_hour(world: World, tree: TreeState, later_s: float, kept: bool) -> None:
    finger = Felt(time=at(0.0), arrived=at(0.0), tree="t-1", finding="dry", where="face")
    likely = with_left(tree, np.where(np.arange(MEMBERS) < 0.6 * MEMBERS, 0.0, 0.9), at=START)
    felt = trees.told(world, likely, finger, frozenset())
    said = judge.verdict(world, replace(felt, at=START + later_s), None, UTC).advice
    assert ("since 06:00, felt dry at 06:00: touch-test it again from 06:30" in said) is kept
    assert ("since 06:00: touch-test it, and tell drymon with felt" in said) is not kept


# --- what a person is told to do -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "reasons", "hours", "by_h", "told"),
    [
        (State.READY, (), (None,) * 3, 0.0, "dip it soon (seal next): its longest wait ended at 12:00"),
        (State.READY, (), (None,) * 3, 0.1, "dip it by 12:06 (seal next)"),
        (State.DRYING, ("wet",), (-1, 0, 5), None,
         "likely dry since 12:00: touch-test it, and tell drymon with felt; surely by 17:00"),
        (State.DRYING, ("wet",), (-2, -1, 0), None,
         "dry by the air, but its probe is still colder than the air: wait, and touch-test it where air comes worst"),
        (State.DRYING, ("too-soon",), (None, None, None), None,
         "not dry within 14 days in this air: it needs drier air, warmth or a fan"),
        (State.DRYING, ("wet",), (1, 2, 5), 5.0, "likely dry at 14:00: touch-test it then; surely by 17:00"),
        (State.DRYING, ("wet",), (1, 2, 5), 4.9,
         "likely dry at 14:00: touch-test it then; surely by 17:00; its longest wait ends at 16:54"),
        (State.DRYING, ("wet",), (1, 2, None), 4.0,
         "likely dry at 14:00: touch-test it then; not sure within 14 days; its longest wait ends at 16:00"),
        (State.DRYING, ("wet",), (1, 2, None), 0.0,
         "likely dry at 14:00: touch-test it then; not sure within 14 days"),
        (State.HOLD, ("swing",), (-1, 0, 5), None,
         "look before any dip, for coats that have come off the pattern: a dull knock, blisters, hair cracks at "
         "corners; then tell drymon with look"),
    ],
)  # fmt: skip
def test_the_line_turns_at_the_very_moment(
    state: State, reasons: tuple[str, ...], hours: tuple[float | None, ...], by_h: float | None, told: str
) -> None:
    by = None if by_h is None else NOON + timedelta(hours=by_h)
    assert advice(verdict(state, *reasons, dry_at=when(*hours), redip_by=by), UTC) == told


def test_a_reason_that_an_older_record_has_and_nobody_knows_any_more_decides_nothing() -> None:
    said = verdict(State.HOLD, "swing")
    older = replace(said, reasons=(Reason("of-old", "nobody knows"), *said.reasons))
    assert advice(older, UTC) == advice(said, UTC)


# --- what a dip before its time found --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "chance", "gone", "sure", "grave"),
    [
        (State.DRYING, 0.5, 0.3, False, "notice"),
        (State.DRYING, 0.49, 0.3, False, "danger"),
        (State.DRYING, 0.49, 0.76, False, "warning"),
        (State.DRYING, 0.49, 0.75, False, "danger"),
        (State.DRYING, 0.97, 0.3, True, "danger"),
        (State.DRYING, 0.97, 0.96, True, "warning"),
        (State.HOLD, 0.9, 0.96, False, "warning"),
        (State.UNKNOWN, 0.9, None, False, "danger"),
    ],
)
def test_how_grave_a_dip_before_its_time_is(
    state: State, chance: float, gone: float | None, sure: bool, grave: str
) -> None:
    """docs/alarms.md: at least 50 % sure, or four fifths of the 95 % that must be gone."""
    assert severity(Redip(state, chance, gone, 0.95, sure)) == grave


@pytest.mark.parametrize(
    ("gone", "told"),
    [(0.919, "42 % sure to be dry, about 91 % of its water gone"), (None, "nothing is known of its water")],
)
def test_what_a_dip_found_is_rounded_down(gone: float | None, told: str) -> None:
    assert words(Redip(State.DRYING, 0.4299, gone, 0.95)) == told


# --- calls and doubts ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("humidity", "weighed_s", "cold", "told"),
    [
        (50.0, None, 0.0, "weighed neighbours, or what was told since, make it less sure"),
        (51.0, None, 0.0, "air at 51 % RH has brought water back"),
        (51.0, None, 1.2, "its surface is still colder than the air, so water leaves"),
        (51.0, 3601.0, 1.2, "by its weight more water may be left than was thought"),
        (51.0, 3600.0, 1.2, "its surface is still colder than the air, so water leaves"),
    ],
)
def test_why_a_call_was_taken_back(humidity: float, weighed_s: float | None, cold: float, told: str) -> None:
    damp = room(120, humidity=humidity)
    seen = Weighings() if weighed_s is None else Weighings(bench=series(1.0, 2.0, weighed_s))
    called = replace(
        dipped(damp), at=START + 7000.0, call=Call(START + 3600.0, True), cold_surface_k=cold, weighings=seen
    )
    assert taking_back.why(damp, called) == told


def test_a_cell_that_contradicts_is_doubted_before_its_trees_model(tree: TreeState) -> None:
    assert tree.coats is not None
    weighed = Weighings(cell=series(*range(1, 10)), cell_disagrees=True)
    odd = replace(tree, cell="cell-1", coats=replace(tree.coats, slowness=np.full(MEMBERS, 0.99)), weighings=weighed)
    assert [(one.kind, one.subject) for one in doubts([odd])] == [("cell-doubt", "cell-1")]
    for weighings, cell in ((replace(weighed, cell_disagrees=False), "cell-1"), (weighed, None)):
        (found,) = doubts([replace(odd, weighings=weighings, cell=cell)])
        assert (found.kind, "far slower than the model of middle" in found.text) == ("model-doubt", True)
    quick = replace(odd, coats=replace(tree.coats, slowness=np.full(MEMBERS, 0.01)), cell=None)
    assert "far faster" in doubts([quick])[0].text
    assert doubts([replace(quick, complete=True)]) == ()
    assert doubts([replace(quick, model=model("middle", 0))]) == (), "a starting model claims nothing of this shop"
    said = doubts([replace(tree, model=replace(MODELS["middle"], doubt="it was weighed too little"))])
    assert said[0].text == "Coat middle: it was weighed too little."


# --- what time and events do to a tree -------------------------------------------------------------------------------


def test_part_of_a_minute_takes_its_part_of_the_water(world: World) -> None:
    fresh = dipped(world)
    whole = advanced(world, fresh, START + 120.0)
    parts = fresh
    for seconds in (10.0, 60.0, 75.0, 120.0):
        parts = advanced(world, parts, START + seconds)
        assert parts.at == START + seconds
    assert whole.water is not None
    assert parts.water is not None
    np.testing.assert_allclose(parts.water.left, whole.water.left, atol=2e-4)
    still = advanced(world, replace(fresh, complete=True), START + 600.0)
    assert (still.at, still.water) == (START + 600.0, fresh.water)


@pytest.mark.parametrize(("minutes", "held"), [(19, False), (22, True)])
def test_a_fresh_tree_s_first_quarter_of_an_hour_counts_for_no_limit_however_low(minutes: int, held: bool) -> None:
    slow = replace(SETUP, coats=(CoatType("middle", "backup", fastest_loss_pct_per_h=0.5),))
    there = room(60, slow)
    after = advanced(there, dipped(there), START + 60.0 * minutes)
    assert ("too-fast" in after.holds) is held


def test_silence_is_counted_to_the_second(world: World) -> None:
    """Ten minutes are gone by after that of the last reading, then nobody knows the air."""
    end = START + 600.0 * 60.0
    late = replace(dipped(world), at=end + 480.0)
    gaps = [advanced(world, late, end + later).gap_s for later in (530.0, 540.0, 555.0, 690.0, 1290.0)]
    assert gaps == [0.0, 0.0, 15.0, 150.0, 750.0]


@pytest.mark.parametrize(("number", "outside"), [(1, False), (20, False), (21, True)])
def test_a_coat_on_more_others_than_its_model_has_seen_is_told(world: World, number: int, outside: bool) -> None:
    fresh = dipped(world, number=number)
    after = advanced(world, fresh, START + 60.0)
    assert after.outside is outside
    assert ("outside-experience" in codes(judge.verdict(world, after, None, UTC))) is outside


@pytest.mark.parametrize(
    ("quantity", "value", "outside"),
    [
        (Quantity.HUMIDITY, 15.0, False),
        (Quantity.HUMIDITY, 14.9, True),
        (Quantity.HUMIDITY, 98.0, False),
        (Quantity.HUMIDITY, 98.1, True),
        (Quantity.AIRFLOW, 4.9, False),
        (Quantity.AIRFLOW, 5.1, True),
    ],
)
def test_air_at_the_very_ends_of_what_a_model_has_seen_is_within(
    quantity: Quantity, value: float, outside: bool
) -> None:
    """The invented models have seen 15 to 98 %RH and 0 to 5 m/s."""
    air = {"humidity": value} if quantity is Quantity.HUMIDITY else {"speed": value}
    there = room(5, **air)
    assert advanced(there, dipped(there), START + 60.0).outside is outside


def test_a_dip_takes_cell_and_probe_of_its_rack_and_names_its_own(world: World) -> None:
    before = dipped(world, cell="cell-1", probe="p-1")
    stays = trees.dipped(world, before, dip("backup", time=at(60.0)), State.READY)
    assert (stays.cell, stays.probe, stays.number, stays.redipped) == ("cell-1", "p-1", 2, None)
    own = trees.dipped(world, before, dip("backup", time=at(60.0), cell="cell-2", probe="p-2"), None)
    assert (own.cell, own.probe, own.redipped) == ("cell-2", "p-2", None)
    sealed = trees.dipped(world, before, dip("nothing", time=at(60.0)), State.DRYING)
    assert (sealed.coats, sealed.water, sealed.chance_dry, sealed.target) == (None, None, 0.0, pytest.approx(0.05))
    assert sealed.redipped is not None
    assert sealed.redipped.gone == 0.0
