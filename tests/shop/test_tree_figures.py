"""One tree, and the room about it: the figures that decide for it (assumed, or common practice without a source), each
seen where it alone makes the difference.
"""

import math
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from types import MappingProxyType

import numpy as np
import pytest
from scipy import stats

from drymon.drying import air, possible, surface
from drymon.drying.coat_model import PARAMETERS
from drymon.drying.draws import DIMENSIONS, EXTRA_DIMENSIONS
from drymon.drying.quantities import Quantity
from drymon.drying.weight_evidence import AreaPrior
from drymon.shop.air.air_book import AirBook
from drymon.shop.air.rack_air import RackAir
from drymon.shop.air.sensors import minute_of
from drymon.shop.facts.events import CellMass, Dip, Felt, Look, Move
from drymon.shop.facts.findings import GradeSkipped, Swing, WeightDisagrees
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.recipes import guess_recipe, next_coat
from drymon.shop.facts.setup import Recipe, RoomSetup
from drymon.shop.fold.hooks import KEPT
from drymon.shop.fold.refold import Refolder
from drymon.shop.tree import state as trees
from drymon.shop.tree import tree_air
from drymon.shop.tree.calls import Call
from drymon.shop.tree.neighbours import leaned, leans
from drymon.shop.tree.probes import probed
from drymon.shop.tree.state import TreeState, World
from drymon.shop.tree.taught import Taught
from drymon.shop.verdict import damp_air, judge, taking_back
from drymon.shop.verdict.doubts import doubts
from drymon.shop.weight.weighings import Series, Weighings
from tests.replaced import replace
from tests.shop.invented_shop import BEGIN, MODELS, SETUP, Shop, codes, model, reading, text

T, RH, SPEED = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW
START = BEGIN.timestamp()
MEMBERS = 256


def at(seconds: float) -> datetime:
    return BEGIN + timedelta(seconds=seconds)


def room(minutes: int = 600, setup: RoomSetup = SETUP, speed: float = 1.0, humidity: float = 45.0) -> World:
    """A room that has heard so many minutes of steady air, from half an hour before the beginning on."""
    book = AirBook(setup)
    for minute in range(-30, minutes):
        for quantity, value in ((T, 22.0 + 0.01 * (minute % 2)), (RH, humidity), (SPEED, speed + 0.01 * (minute % 2))):
            book.enter(reading(at(60.0 * minute + 10.0), quantity, value))
    return World(setup, MODELS, {rack.name: RackAir(book, rack) for rack in setup.racks})


def dip(coat: str = "middle", shelter: str = "open", **more: object) -> Dip:
    plain = {"time": BEGIN, "arrived": BEGIN, "tree": "t-1", "rack": "rack-a", "coat": coat, "shelter": shelter}
    return Dip(**{**plain, **more})


def dipped(world: World, coat: str = "middle", shelter: str = "open", **more: object) -> TreeState:
    return trees.dipped(world, None, dip(coat, shelter, **more), None)


def with_left(tree: TreeState, left: float | np.ndarray, **more: object) -> TreeState:
    """So much of its water left in all zones; dry since then where that is little enough."""
    assert tree.water is not None
    shares = np.broadcast_to(np.asarray(left), tree.water.left.shape).copy()
    since = np.where(shares.max(axis=0) <= tree.target, START, np.nan)
    return replace(tree, water=replace(tree.water, left=shares, dry_since=since), **more)


def verdict(world: World, tree: TreeState) -> Verdict:
    return judge.verdict(world, tree, None, UTC)


# --- probes ----------------------------------------------------------------------------------------------------------


def probing(share: float, hot: float = 0.0) -> tuple[TreeState, TreeState, float]:
    """A tree half of whose members are dry and half just dipped, an hour after its dip, with a probe that reads so much
    of the way from the air to a wet face; before, after, and the full way in kelvins.
    """
    world = room(120)
    state = replace(with_left(dipped(world, probe="p-1"), np.repeat([0.0, 0.99], MEMBERS // 2)), at=START + 3600.0)
    minute = world.air["rack-a"].minute(minute_of(BEGIN) + 59)
    face = float(
        surface.evaporation(minute.temperature_c, 45.0, minute.speed, minute.pressure_pa).surface_temperature_c
    )
    full = minute.temperature_c - face
    for back in range(12):
        below = share * full if back < 10 else hot
        reads = minute.temperature_c - below
        world.air["rack-a"].book.enter(
            reading(at(3600.0 - 60.0 * back - 30.0), Quantity.SURFACE, reads, "rack-a", "p-1")
        )
    return state, probed(world, state), full


def test_a_member_that_the_surface_contradicts_weighs_what_students_t_leaves_it() -> None:
    """Three degrees of freedom; an error of 0.7 K over the full depression, and 15 % of that besides (scipy's t)."""
    before, after, full = probing(0.5)
    assert before.water is not None
    assert after.water is not None
    score = 0.5 / math.hypot(0.7 / full, 0.15)
    expected = stats.t.pdf(score, 3) / stats.t.pdf(0.0, 3)
    weights = after.water.weights
    assert weights[0] / weights[-1] == pytest.approx(expected, rel=0.02)
    assert weights.sum() == pytest.approx(1.0)
    np.testing.assert_array_equal(before.water.left, after.water.left)


def test_no_member_loses_more_than_a_wet_face_whatever_the_probe_reads() -> None:
    """A third colder than a wet face can be: the just dipped are contradicted by that third, the dry by all of it."""
    _, after, full = probing(1.3)
    assert after.water is not None
    sd = math.hypot(0.7 / full, 0.15)
    expected = stats.t.pdf(1.3 / sd, 3) / stats.t.pdf(0.3 / sd, 3)
    assert after.water.weights[0] / after.water.weights[-1] == pytest.approx(expected, rel=0.02)


def test_a_surface_is_plainly_cold_where_two_errors_leave_35_percent_of_the_way() -> None:
    _, _, full = probing(0.5)
    edge = 0.35 + 2.0 * math.hypot(0.7 / full, 0.15)
    for share, cold in ((edge - 0.01, False), (edge + 0.01, True)):
        found = probing(share)[1].cold_surface_k
        assert found == pytest.approx(share * full if cold else 0.0, abs=0.02)


def test_ten_minutes_of_a_probe_are_averaged_and_older_ones_say_nothing() -> None:
    """What it read eleven and twelve minutes ago was another thing."""
    one, other = (probing(0.9, hot)[1].cold_surface_k for hot in (0.0, 5.0))
    assert one == pytest.approx(other)


def test_air_that_hardly_cools_a_wet_face_makes_no_witness() -> None:
    """Less than 1.4 K, twice the error of two cheap sensors: at 90 %RH; at 75 %RH it is more."""
    for humidity, told in ((90.0, False), (75.0, True)):
        world = room(120, humidity=humidity)
        state = replace(with_left(dipped(world, probe="p-1"), np.repeat([0.0, 0.99], 128)), at=START + 3600.0)
        world.air["rack-a"].book.enter(reading(at(3570.0), Quantity.SURFACE, 18.0, "rack-a", "p-1"))
        after = probed(world, state)
        assert (after is not state) is told
    assert probed(room(120), dipped(room(120), probe="p-2")).cold_surface_k == 0.0


# --- time ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("minutes", "held"), [(4, False), (5, True), (6, True)])
def test_five_minutes_above_the_fastest_rate_hold_a_tree(minutes: int, held: bool) -> None:
    setup = replace(SETUP, coats=tuple(replace(coat, fastest_loss_pct_per_h=1.0) for coat in SETUP.coats))
    world = room(600, setup)
    tree = replace(dipped(world), at=START + 1200.0)
    assert ("too-fast" in tree_air.advanced(world, tree, START + 1200.0 + 60.0 * minutes).holds) is held


def test_the_first_quarter_of_an_hour_is_the_trees_own_heat() -> None:
    """What a fresh tree gives off by it, and what drips, is no drying by the air, and crazes nothing; later it is."""
    setup = replace(SETUP, coats=tuple(replace(coat, fastest_loss_pct_per_h=1.0) for coat in SETUP.coats))
    world = room(600, setup)
    tree = dipped(world)
    begun = tree.dip.time.timestamp()
    for minutes, fast_s in ((15, 0.0), (16, 60.0), (18, 180.0)):
        tree = tree_air.advanced(world, tree, begun + 60.0 * minutes)
        assert tree.fast_s == pytest.approx(fast_s)
    assert "too-fast" not in tree.holds
    assert "too-fast" in tree_air.advanced(world, tree, begun + 1200.0).holds


@pytest.mark.parametrize(("quick", "held"), [(0.79, False), (0.81, True)])
def test_four_in_five_possible_coats_must_have_lost_too_much(quick: float, held: bool) -> None:
    """So many may dry as quickly as they like, the rest hardly at all: published ranges alone call for no look."""
    world = room(600)
    tree = with_left(dipped(world), 0.8)
    assert tree.water is not None
    few = np.arange(len(tree.water.weights)) >= round(quick * len(tree.water.weights))
    before = np.where(few, 0.8, 0.9)  # the quick ones came down from 90 % within the minute
    rate = tree_air.surely_lost(replace(tree, at=START + 3600.0), before - 0.8, 60.0)
    assert (rate > 80.0) is held


def test_outside_a_models_experience_the_slowest_lose_15_percent_less_and_the_quick_half_nothing() -> None:
    known, other = room(600), room(600)
    narrow = {"middle": model("middle", seen={**MODELS["middle"].seen, "humidity_pct": (50.0, 90.0)})}
    other = World(SETUP, narrow, other.air)
    lost = []
    for world in (known, other):
        tree = replace(with_left(dipped(world), 0.8), at=START + 3600.0)
        after = tree_air.advanced(world, tree, START + 3660.0)
        assert after.water is not None
        lost.append(0.8 - after.water.left[0])
        assert after.outside is (world is other)
    assert tree.coats is not None
    order = np.argsort(tree.coats.slowness)
    ratio = (lost[1] / lost[0])[order]
    np.testing.assert_allclose(ratio[:127], 1.0)
    assert ratio[-1] == pytest.approx(0.85, abs=0.001)
    assert ratio[191] == pytest.approx(0.925, abs=0.002)


def test_a_swing_counts_while_the_coat_is_wet() -> None:
    book = AirBook(SETUP)
    for minute in range(120):
        for quantity, value in ((T, 22.0 + 4.0 * (minute >= 60) + 0.01 * (minute % 2)), (RH, 45.0), (SPEED, 1.0)):
            book.enter(reading(at(60.0 * minute + 10.0), quantity, value))
    world = World(SETUP, MODELS, {rack.name: RackAir(book, rack) for rack in SETUP.racks})
    for left, held in ((0.9, True), (0.0, False)):
        tree = with_left(dipped(world, "steady"), left)
        assert ("swing" in tree_air.advanced(world, tree, START + 7200.0).holds) is held


# --- what is felt, looked at, seen by a cell -------------------------------------------------------------------------


@pytest.mark.parametrize(("later", "counts"), [(1799.0, False), (1800.0, True)])
def test_the_same_word_of_the_same_place_counts_again_after_half_an_hour(later: float, counts: bool) -> None:
    world = room()
    tree = with_left(dipped(world), np.linspace(0.0, 1.0, MEMBERS))
    once = trees.told(world, tree, Felt(time=at(60.0), arrived=at(60.0), tree="t-1", finding="wet"), frozenset())
    for finding, where, told in (("wet", "face", counts), ("dry", "face", True), ("wet", "pocket", True)):
        again = Felt(time=at(60.0 + later), arrived=at(60.0 + later), tree="t-1", finding=finding, where=where)
        after = trees.told(world, once, again, frozenset())
        assert (after is not once) is told


@pytest.mark.parametrize(("waited", "held"), [(899.0, False), (900.0, True)])
@pytest.mark.parametrize("what", ["rose", "fell"])
def test_somebody_has_a_quarter_of_an_hour_to_tell_what_a_cell_has_seen(what: str, waited: float, held: bool) -> None:
    world = room()
    since = START + 4000.0
    stamp = at(4000.0 + waited)
    seen = CellMass(
        time=stamp, arrived=stamp, tree="t-1", mass=3.0, sd=0.001, **{f"{what}_at": since, f"{what}_kg": 0.1234}
    )
    after = trees.told(world, dipped(world), seen, frozenset())
    assert ("weight-disagrees" in after.holds) is held
    if held:
        told = after.holds["weight-disagrees"]
        assert isinstance(told, WeightDisagrees)
        assert ("rose by 0.12 kg at 07:06" if what == "rose" else "fell by 123 g at 07:06") in told.what
        assert after.untold_at == (since if what == "rose" else math.inf)
    looked = replace(dipped(world), released=frozenset({"weight-disagrees"}))
    assert trees.told(world, looked, seen, frozenset()).holds == {}


def test_a_look_releases_what_holds_and_keeps_the_rest() -> None:
    world = room()
    held = {one.code: one for one in (Swing(4.0, 3.0), GradeSkipped("30", 600.0, 300.0))}
    tree = replace(dipped(world), holds=MappingProxyType(held), untold_at=1.0)
    look = Look(time=at(60.0), arrived=at(60.0), tree="t-1", finding="sound")
    after = trees.told(world, tree, look, frozenset({"swing"}))
    assert (set(after.holds), after.released, after.untold_at) == ({"grade-skipped"}, {"swing"}, math.inf)


def test_a_move_takes_cell_and_probe_along_on_its_rack_alone() -> None:
    world = room()
    tree = dipped(world, probe="p-1", cell="cell-1")
    for rack, probe in (("rack-a", "p-1"), ("rack-b", None)):
        moved = trees.told(world, tree, Move(time=at(60.0), arrived=at(60.0), tree="t-1", rack=rack), frozenset())
        assert (moved.rack, moved.probe, moved.cell, moved.hung_at) == (rack, probe, None, START + 60.0)


RECIPES = (Recipe("short", ("prime", "middle")), Recipe("long", ("prime", "middle", "backup", "seal")))


@pytest.mark.parametrize(
    ("number", "coat", "guessed", "then", "last"),
    [
        (1, "prime", "short", "middle", False),
        (2, "middle", "short", None, True),
        (3, "backup", "long", "seal", False),
        (4, "seal", "long", None, True),
        (3, "middle", "", None, False),
        (7, "seal", "", None, True),
    ],
)
def test_which_recipe_is_meant_and_what_comes_next(
    number: int, coat: str, guessed: str, then: str | None, last: bool
) -> None:
    setup = replace(SETUP, recipes=RECIPES)
    tree = dipped(World(setup, MODELS, {}), coat, number=number)
    assert (tree.recipe, next_coat(setup, tree.recipe, tree.number), trees.is_last(setup, tree)) == (
        guessed,
        then,
        last,
    )
    alone = replace(SETUP, recipes=RECIPES[1:])
    assert guess_recipe(alone, number, "rough") == "long"


def test_what_a_dip_takes_over_from_the_coat_below() -> None:
    world = room()
    before = dipped(world, "prime", "deep", number=3, cell="cell-1", probe="p-1", label="Otter", recipe="long")
    after = trees.dipped(world, before, dip("middle", shelter=None), State.READY)
    assert (after.number, after.shelter, after.cell, after.probe) == (4, "deep", "cell-1", "p-1")
    assert (after.label, after.recipe, after.below_unknown, after.redipped) == ("Otter", "long", True, None)
    elsewhere = trees.dipped(world, before, dip("middle", rack="rack-b"), State.DRYING)
    assert (elsewhere.cell, elsewhere.probe, elsewhere.shelter) == (None, None, "open")
    assert elsewhere.redipped is not None
    assert (elsewhere.redipped.state, elsewhere.redipped.needed) == (State.DRYING, pytest.approx(0.95))
    anew = trees.dipped(world, before, dip("middle", number=1), State.DRYING)
    assert (anew.number, anew.below_unknown, anew.label, anew.redipped) == (1, False, "", None)
    assert dipped(world, number=2).below_unknown
    assert trees.dipped(world, None, dip(shelter=None), None).shelter == "pocketed"


# --- verdicts --------------------------------------------------------------------------------------------------------


def test_a_verdict_is_valid_for_ten_minutes_and_a_shortest_wait_ends_on_a_whole_minute() -> None:
    world = room()
    tree = replace(dipped(world, "timed", time=at(10.0), arrived=at(10.0)), at=START + 70.0)
    said = verdict(world, tree)
    assert said.valid_until - said.time == timedelta(minutes=10)
    assert said.redip_by == at(10.0 + 6 * 3600.0)
    assert "10:01" in text(said, "too-soon")
    dry = with_left(dipped(world, "timed", time=at(10.0), arrived=at(10.0)), 0.0)
    for seconds, soon in ((4 * 3600.0 + 59.0, True), (4 * 3600.0 + 60.0, False)):
        assert ("too-soon" in codes(verdict(world, replace(dry, at=START + seconds)))) is soon
    for seconds, held in ((6 * 3600.0 + 10.0, False), (6 * 3600.0 + 11.0, True)):
        assert ("too-long" in codes(verdict(world, replace(dry, at=START + seconds)))) is held


@pytest.mark.parametrize(("share", "told"), [(0.019, False), (0.021, True)])
def test_two_percent_of_buried_water_are_told_of(share: float, told: bool) -> None:
    world = room()
    tree = replace(dipped(world), at=START + 60.0)
    assert tree.coats is not None
    buried = replace(tree, coats=replace(tree.coats, buried=np.full_like(tree.coats.buried, share)))
    assert ("buried-water" in codes(verdict(world, buried))) is told


@pytest.mark.parametrize(
    ("sure", "call", "state"),
    [
        (0.96, None, State.READY),
        (0.94, None, State.DRYING),
        (0.91, Call(START, True), State.READY),
        (0.89, Call(START, True), State.DRYING),
        (0.94, Call(START, False), State.DRYING),
    ],
)
def test_what_it_takes_to_be_called_and_to_stay_so(sure: float, call: Call | None, state: State) -> None:
    """95 % to be called, 90 % to stay."""
    world = room()
    dry = np.arange(MEMBERS) < sure * MEMBERS
    tree = with_left(dipped(world), np.where(dry, 0.0, 0.3), at=START + 3600.0, call=call)
    assert verdict(world, tree).state is state
    assert ("taken-back" in codes(verdict(world, tree))) is (call is not None and state is State.DRYING)


def series(*seconds: float) -> Series:
    ones = tuple(1.0 for _ in seconds)
    return Series(tuple(START + s for s in seconds), ones, ones, tuple(np.ones(MEMBERS) for _ in seconds))


@pytest.mark.parametrize(
    ("in_a_row", "age", "waits"), [(1, 0.0, True), (2, 0.0, False), (1, 1800.0, True), (1, 1801.0, False)]
)
def test_a_load_cell_must_say_it_twice_unless_it_falls_silent(in_a_row: int, age: float, waits: bool) -> None:
    world = room()
    weighed = Weighings(cell=series(300.0, 600.0, 3600.0 - age))
    tree = with_left(dipped(world), 0.0, at=START + 3600.0, weighings=weighed, sure_in_a_row=in_a_row)
    assert taking_back.awaits_weighing(tree) is waits
    assert not taking_back.awaits_weighing(replace(tree, call=Call(START, True)))
    assert not taking_back.awaits_weighing(replace(tree, weighings=Weighings(bench=weighed.cell)))
    if waits:
        late = verdict(world, tree).dry_at.late
        assert late == at(3900.0), "the next weighing comes within five minutes"


@pytest.mark.parametrize(
    ("chance", "in_a_row", "age", "state"),
    [
        (0.85, 1, 0.0, State.READY),
        (0.85, 2, 0.0, State.DRYING),
        (0.85, 1, 1801.0, State.DRYING),  # a cell that has fallen silent has no next word
        (0.74, 1, 0.0, State.DRYING),
        (0.76, 1, 0.0, State.READY),
    ],
)
def test_one_weighing_takes_nothing_back_unless_it_is_plain(
    chance: float, in_a_row: int, age: float, state: State
) -> None:
    world, dry = room(), np.arange(MEMBERS) < round(chance * MEMBERS)
    weighed = Weighings(cell=series(300.0, 600.0, 3600.0 - age))
    tree = with_left(
        dipped(world), np.where(dry, 0.0, 0.3), at=START + 3600.0, weighings=weighed, call=Call(START, True),
        unsure_in_a_row=in_a_row,
    )  # fmt: skip
    assert judge.state_of(world, tree, True) is state
    bench = replace(tree, weighings=Weighings(bench=weighed.cell))
    assert judge.state_of(world, bench, True) is State.DRYING, "by hand nobody can be waited for"


def test_a_humidity_that_would_do_is_told_in_fives_and_none_where_none_is_needed() -> None:
    world = room(humidity=97.0)
    damp = world.air["rack-a"].minute(minute_of(BEGIN) + 5)
    tree = replace(dipped(world), at=START + 3600.0)
    found = damp_air.humidity_that_would_do(tree, damp.humidity_pct, damp.step)
    assert found is not None
    assert found % 5.0 == 0.0
    assert 20.0 <= found < 97.0
    assert damp_air.humidity_that_would_do(tree, found, damp.step) is None
    never = replace(tree, coats=replace(tree.coats, sorption=np.full_like(tree.coats.sorption, -5.0)))
    assert damp_air.humidity_that_would_do(never, 97.0, damp.step) is None


# --- neighbours ------------------------------------------------------------------------------------------------------


def test_half_of_what_a_weighed_tree_has_learnt_is_passed_on() -> None:
    """In a normal world the factor moves the others' mean score by half of the shift, and leaves its spread."""
    world = room()
    score = possible.normal_scores(DIMENSIONS)[:, PARAMETERS.index("transfer")]
    equal = np.full(MEMBERS, 1.0 / MEMBERS)
    moved = np.exp(0.6 * score)
    moved /= moved.sum()
    tree = dipped(world)
    assert tree.water is not None
    weighed = replace(
        tree, water=replace(tree.water, weights=moved), weighings=Weighings(prior=equal, cell=series(1.0, 2.0, 3.0))
    )
    other, strange = dipped(world, tree="t-2"), dipped(world, "backup", tree="t-3")
    found = leans([weighed])
    for state, shift in ((other, 0.3), (strange, 0.3)):  # transfer is the air's: other coats hear of it too
        after = leaned(state, found).water
        assert after is not None
        mean = float(after.weights @ score)
        assert mean == pytest.approx(shift, abs=0.02)
        assert float(after.weights @ (score - mean) ** 2) == pytest.approx(1.0, abs=0.08)
    assert leaned(weighed, found) is weighed
    assert leaned(replace(other, rack="rack-b"), found).water is other.water
    for silent in (replace(weighed, drifted=True), replace(weighed, model=model("middle", 0)), tree):
        assert leans([silent]).by_rack == {}


@pytest.mark.parametrize(("name", "of_the_air"), [("inner", False), ("airflow", True)])
def test_what_is_the_airs_is_passed_on_to_every_coat_and_what_is_the_coats_to_its_own(
    name: str, of_the_air: bool
) -> None:
    """Where no speed is measured the place in the assumed range is the air's as well."""
    world, equal = room(), np.full(MEMBERS, 1.0 / MEMBERS)
    score = possible.normal_scores(DIMENSIONS)[:, (*PARAMETERS, *EXTRA_DIMENSIONS).index(name)]
    tree = dipped(world)
    assert tree.water is not None
    moved = np.exp(0.6 * score) / np.exp(0.6 * score).sum()
    weighed = replace(
        tree, water=replace(tree.water, weights=moved), weighings=Weighings(prior=equal, cell=series(1.0, 2.0, 3.0))
    )
    told = leans([weighed, replace(weighed, name="t-4")])
    for coat, heard in (("middle", True), ("backup", of_the_air)):
        after = leaned(dipped(world, coat, tree="t-2"), told).water
        assert after is not None
        assert float(after.weights @ score) == pytest.approx(0.3 if heard else 0.0, abs=0.03)


def test_a_starting_models_coat_goes_by_the_zone_that_its_verdict_is_about() -> None:
    """Of a deep tree its depths: what was taught of them, and not of the pockets before them."""
    start = {"middle": model("middle", 0)}
    world = World(SETUP, start, room().air)
    tree, known = dipped(world, shelter="deep"), dipped(room(), shelter="deep")
    times = np.vstack([np.linspace(0.0, 3.0, MEMBERS)] * 3)
    word = Taught("middle", ("open", "pocketed", "deep"), times, np.array([1.0, 1.0, 2.0]), np.full(3, 0.01))
    told = leans([replace(known, name="t-9", taught=(word,))])
    assert told.taught == {"middle": [word]}
    after = leaned(tree, told).water
    assert after is not None
    assert float(after.weights @ times[0]) == pytest.approx(2.0, abs=0.05)
    assert leaned(known, told) is known, "a fitted model knows better"
    assert leaned(dipped(world, "backup"), told).water is not after


def test_the_newest_six_words_of_a_tree_are_kept() -> None:
    words = tuple(Taught(f"coat-{n}", ("open",), np.zeros((1, 2)), np.zeros(1), np.ones(1)) for n in range(8))
    assert replace(dipped(room(2)), taught=words).said == words[2:]


@pytest.mark.parametrize(("rank", "doubted"), [(0.035, True), (0.045, False), (0.955, False), (0.965, True)])
@pytest.mark.parametrize(("count", "enough"), [(8, False), (9, True)])
def test_a_model_is_doubted_by_a_tree_among_its_farthest_25th(
    rank: float, doubted: bool, count: int, enough: bool
) -> None:
    """Of nine weighings at the least."""
    world = room()
    tree = dipped(world, cell="cell-1")
    assert tree.coats is not None
    ranked = replace(
        tree, coats=replace(tree.coats, slowness=np.full(MEMBERS, rank)),
        weighings=Weighings(cell=series(*np.linspace(1.0, 99.0, count))),
    )  # fmt: skip
    assert bool(doubts([ranked])) is (doubted and enough)


# --- a rack's air ----------------------------------------------------------------------------------------------------


def test_an_air_pressure_counts_for_an_hour() -> None:
    world = room(200)
    rack = world.air["rack-a"]
    rack.book.enter(reading(at(10.0), Quantity.PRESSURE, 90_000.0))
    minute = minute_of(BEGIN)
    found = [rack.minute(minute + later).pressure_pa for later in (0, 59, 60)]
    assert found == pytest.approx([90_000.0, 90_000.0, air.STANDARD_PRESSURE_PA])


def test_which_air_speeds_are_assumed() -> None:
    """0.05 to 0.2 m/s where the fans are off; from 0.05 on where an anemometer has fallen silent."""
    book = AirBook(SETUP)
    rack = RackAir(book, SETUP.racks[0])
    minute = minute_of(BEGIN)
    assert rack.assumed_range(minute) == (0.3, 2.0)
    rack.fans_switched(minute + 10, False)
    rack.fans_switched(minute + 20, True)
    ranges = [rack.assumed_range(minute + later) for later in (9, 10, 19, 20)]
    assert ranges == [(0.3, 2.0), (0.05, 0.2), (0.05, 0.2), (0.3, 2.0)]
    assert [rack.fan_on(minute + later) for later in (9, 10, 20)] == [None, False, True]
    book.enter(reading(at(0.0), SPEED, 1.0))
    assert rack.assumed_range(minute) == (0.05, 2.0)


def test_a_minute_that_was_looked_at_half_way_has_all_of_its_readings_in_the_end() -> None:
    """Somebody feels a tree between two readings of the minute: what dries it is the mean of both all the same."""
    for felt in (False, True):
        shop = Shop()
        shop.run(0.2)
        shop.dip("t-1", "middle")
        begin = shop.now
        for second, warm in ((10, 21.0), (40, 24.0)):
            stamp = begin + timedelta(seconds=second)
            shop.room.tell([reading(stamp, T, warm), reading(stamp, RH, 45.0)])
            shop.now = begin + timedelta(seconds=second + 5)
            if felt:
                shop.felt("t-1", "wet", "face" if second == 10 else "pocket")
        shop.now = begin + timedelta(minutes=1)
        shop.said += shop.room.advance(shop.now)
        assert shop.room.air["rack-a"].minute(minute_of(begin)).temperature_c == pytest.approx(22.5)


def test_masses_of_a_cell_are_kept_for_three_days() -> None:
    """One each five minutes."""
    assert KEPT == 3 * 24 * 12


# --- late evidence ---------------------------------------------------------------------------------------------------


class Behind:
    """A tree that is to be folded from so many seconds ago on."""

    def __init__(self, name: str, seconds: float, now: float) -> None:
        self.name, self.done, self._now = name, now - seconds, now

    def owes(self, moment: float) -> float:
        return max(moment - self.done, 0.0)

    def state(self, moment: float) -> None:
        self.done = max(self.done, moment)


class Nothing:
    """No trees that could be stepped together."""

    def minute(self, logs: Iterable[object], end: float) -> int:
        return 0


NOW = 600_000.0 * 10


def refold(*logs: Behind, refolder: Refolder | None = None, moment: float = NOW) -> frozenset[str]:
    return (refolder or Refolder(Nothing())).catch_up(logs, moment)


@pytest.mark.parametrize(("seconds", "behind"), [(300.0, False), (301.0, True)])
def test_who_lags_by_five_minutes_is_not_behind(seconds: float, behind: bool) -> None:
    one = Behind("t-1", seconds, NOW)
    refold(one)
    assert (one.done == NOW) is behind


def test_a_slots_share_is_four_thousand_minutes_of_one_tree() -> None:
    """Of one tree a minute costs four of them: three for its rack's air, one for itself. A slot is five seconds."""
    one, refolder = Behind("t-1", 60.0 * 3000, NOW), Refolder(Nothing())
    left = []
    for moment in (NOW, NOW + 4.9, NOW + 5.0, NOW + 10.0):
        behind = refold(one, refolder=refolder, moment=moment)
        left.append((round((NOW - one.done) / 60.0), bool(behind)))
    assert left == [(2000, True), (2000, True), (1000, True), (0, False)]


def test_the_shortest_way_first_and_who_is_near_it_goes_along() -> None:
    """Within six hours of it; the others wait until it is through."""
    near, along, far = (Behind(name, hours * 3600.0, NOW) for name, hours in (("a", 2.0), ("b", 7.9), ("c", 40.0)))
    assert refold(near, along, far) == {"c"}
    assert near.done == along.done == NOW
    near, other = Behind("a", 2.0 * 3600.0, NOW), Behind("b", 40.0 * 3600.0, NOW)
    refold(near, other)
    assert near.done == NOW
    assert other.done < NOW


@pytest.mark.parametrize(("hours", "along"), [(7.9, True), (8.1, False)])
def test_who_is_within_six_hours_of_the_shortest_way_goes_along_from_its_own_beginning(
    hours: float, along: bool
) -> None:
    """So that the rack's air is worked out once for both; else the one that is nearly there is through first."""

    class Beside(Behind):
        """Knows how far the other had come when it was through."""

        others_s = math.inf

        def state(self, moment: float) -> None:
            super().state(moment)
            self.others_s = NOW - other.done

    near, other = Beside("a", 2.0 * 3600.0, NOW), Behind("b", hours * 3600.0, NOW)
    refold(near, other)
    assert (near.others_s <= 60.0) is along
    assert near.done == other.done == NOW


def test_an_area_that_is_learnt_is_as_wide_as_is_said() -> None:
    """0.4 m2 within a factor e where nothing was ever weighed."""
    assert Weighings().area == AreaPrior(0.4, 1.0)
