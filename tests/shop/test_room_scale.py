"""Weights in the room: they sharpen, contradict, and never make an unsafe tree safe.

The scale is played by a tree of known area and water that dries as one of the model's own members would in the same
air, or as none of them could.
"""

import math
from collections.abc import Callable, Mapping
from datetime import timedelta

import pytest

from drymon.drying.coat_model import Spread
from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import Move
from drymon.shop.facts.outcome import State
from drymon.shop.tree.neighbours import Leans, leans
from drymon.shop.verdict.judge import holding
from tests.replaced import replace
from tests.shop.invented_shop import MODELS, STEADY, Shop, codes, model, reading, text

AREA_M2, DRY_KG = 0.5, 4.2
HEATLESS = {**MODELS["middle"].parameters, "cooling": Spread(0.001, 0.5)}
"""The tree below gives off nothing by its own heat."""

WIDE = {
    **MODELS,
    "middle": model("middle", dip_sd={"water": 0.4, "transfer": 0.4, "inner": 0.3}, parameters=HEATLESS),
}


def mass(minutes: float, water: float = 0.1, tau_min: float = 40.0) -> float:
    """A tree that loses its water by a first-order lag: nothing of the model's own formulas."""
    return DRY_KG + AREA_M2 * water * math.exp(-minutes / tau_min)


def weighed_shop(tau_min: float, every_min: float = 10.0, until_min: float = 120.0) -> Shop:
    shop = Shop(models=WIDE)
    shop.run(0.2)
    shop.dip("t-1", "middle")
    for step in range(1, int(until_min / every_min) + 1):
        shop.run(every_min / 60)
        shop.weigh("t-1", mass(step * every_min, tau_min=tau_min))
    return shop


def width(shop: Shop) -> float:
    bounds = shop.tree("t-1").dryness
    return bounds.high - bounds.low


def test_a_bench_scale_sharpens_the_bounds() -> None:
    plain = Shop(models=WIDE)
    plain.run(0.2)
    plain.dip("t-1", "middle")
    plain.run(50 / 60)
    assert width(weighed_shop(30.0, until_min=50.0)) < 0.8 * width(plain)


@pytest.mark.parametrize("tau_min", [25.0, 40.0])
def test_the_weighed_truth_lies_within_the_bounds(tau_min: float) -> None:
    shop = weighed_shop(tau_min, until_min=60.0)
    truth = 1.0 - math.exp(-60.0 / tau_min)
    bounds = shop.tree("t-1").dryness
    assert bounds.low - 0.06 <= truth <= bounds.high + 0.06


def test_a_slowly_drying_tree_is_later_by_its_weight_than_a_quick_one() -> None:
    slow, quick = weighed_shop(60.0, until_min=60.0), weighed_shop(20.0, until_min=60.0)
    assert slow.tree("t-1").dryness.best < quick.tree("t-1").dryness.best - 0.1
    assert slow.until("t-1", State.READY) > quick.until("t-1", State.READY)


@pytest.mark.parametrize("slip_kg", [0.05, -0.05, 9 * DRY_KG])
def test_one_slip_of_a_hand_weighing_holds_nothing(slip_kg: float) -> None:
    """Fifty grams off, or the decimal point in the wrong place; the other weighings go with the air."""
    shop = Shop(models=WIDE)
    shop.run(0.2)
    shop.dip("t-1", "middle")
    for step in range(1, 19):
        shop.run(1 / 6)
        shop.weigh("t-1", mass(10.0 * step, tau_min=30.0) + (slip_kg if step == 8 else 0.0))
    assert State.HOLD not in {said.state for said in shop.verdicts("t-1")}
    assert shop.tree("t-1").state is State.READY


def test_two_weighings_tell_nothing_yet() -> None:
    """Dry mass and area are unknown: two weighings fit any member."""
    shop, plain = weighed_shop(60.0, until_min=20.0), Shop(models=WIDE)
    plain.run(0.2)
    plain.dip("t-1", "middle")
    plain.run(20 / 60)
    for one in (shop, plain):
        one.run(0.1)
    assert shop.tree("t-1").dryness.best == pytest.approx(plain.tree("t-1").dryness.best, abs=1e-3)


def test_nonsense_weights_disagree_and_hold_until_a_look() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    for step in range(1, 13):  # a hook that gains half a kilogram and loses it again
        shop.run(1 / 6)
        shop.weigh("t-1", DRY_KG + (0.5 if step % 3 == 0 else 0.02 * step))
    assert "weight-disagrees" in codes(shop.tree("t-1"))
    assert shop.tree("t-1").state is State.HOLD
    shop.run(48.0)
    assert "weight-disagrees" in codes(shop.tree("t-1")), "time alone releases nothing"
    assert shop.tree("t-1").state is State.HOLD
    shop.look("t-1")
    assert "weight-disagrees" not in codes(shop.tree("t-1"))
    assert shop.tree("t-1").state is not State.HOLD


def test_a_weight_that_grows_never_makes_ready() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    for step in range(1, 13):
        shop.run(1 / 6)
        shop.weigh("t-1", DRY_KG + 0.03 * step)
        assert shop.tree("t-1").state is not State.READY


def test_weighings_while_it_drips_count_for_nothing() -> None:
    """The first minutes after a dip a tree drips slurry (common practice, no source)."""
    shop, plain = Shop(models=WIDE), Shop(models=WIDE)
    for one in (shop, plain):
        one.run(0.2)
        one.dip("t-1", "middle")
        one.run(1 / 60)
    for grams in (400, 200, 100, 60):
        shop.weigh("t-1", DRY_KG + grams / 1000)
    for each in (shop, plain):
        each.run(0.5)
    found, other = shop.tree("t-1").dryness, plain.tree("t-1").dryness
    assert (found.low, found.best, found.high) == pytest.approx((other.low, other.best, other.high), abs=1e-6)


# Load cell


def on_cell(shop: Shop, minutes: int, kg: list[float], air: Mapping[Quantity, float] = STEADY) -> None:
    """A cell that reports every 20 s."""
    for minute in range(minutes):
        for second in (15, 35, 55):
            stamp = shop.now + timedelta(seconds=second)
            value = kg[minute] + 2e-4 * math.sin(minute * 7.0 + second)
            values = {**(air if second == 15 else {}), Quantity.WEIGHT: value}
            for quantity, number in values.items():
                shop.said += shop.room.advance(stamp)
                place, sensor = ("rack-a", "cell-1") if quantity is Quantity.WEIGHT else ("room", "")
                shop.room.tell([reading(stamp, quantity, number, place, sensor)])
        shop.now += timedelta(minutes=1)
        shop.said += shop.room.advance(shop.now)


def test_a_load_cell_sharpens_like_a_scale() -> None:
    plain, shop = Shop(models=WIDE), Shop(models=WIDE)
    for one in (plain, shop):
        one.run(0.2)
        one.dip("t-1", "middle", cell="cell-1")
    plain.run(1)
    on_cell(shop, 60, [mass(minute, tau_min=30.0) for minute in range(60)])
    assert width(shop) < 0.8 * width(plain)
    assert "weight-disagrees" not in codes(shop.tree("t-1"))


def test_a_scale_that_sees_water_leave_keeps_a_dry_looking_tree_waiting() -> None:
    """By the air this tree is dry; its weight still falls steadily: not ready, whatever reason says so first."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle", cell="cell-1")
    other = Shop()
    other.run(0.2)
    other.dip("t-1", "middle")
    ready = other.until("t-1", State.READY)
    minutes = round((ready - 0.2) * 60) + 20
    on_cell(shop, minutes, [DRY_KG + 0.2 - 0.0006 * minute for minute in range(minutes)])
    assert shop.tree("t-1").state is not State.READY
    assert codes(shop.tree("t-1")) & {"weight-falling", "weight-disagrees", "wet"}


def test_a_cell_speaks_for_the_tree_that_hangs_on_it_now() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle", cell="cell-1")
    shop.run(0.2)
    shop.move("t-1", "rack-b")
    shop.dip("t-2", "middle", cell="cell-1")
    alone = Shop()
    alone.run(0.2)
    alone.dip("t-1", "middle")
    alone.run(0.2)
    alone.move("t-1", "rack-b")
    heavy = [mass(minute, water=0.3, tau_min=200.0) for minute in range(60)]
    on_cell(shop, 60, heavy)
    alone.run(1)
    assert shop.tree("t-1").dryness.low == pytest.approx(alone.tree("t-1").dryness.low, abs=0.05)
    assert "weight-disagrees" not in codes(shop.tree("t-1"))


def test_a_tree_dipped_onto_another_rack_leaves_its_cell() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle", cell="cell-1")
    shop.until("t-1", State.READY)
    shop.dip("t-1", "backup", "rack-b")
    before = shop.room.logs["t-1"].events
    on_cell(shop, 12, [mass(minute) for minute in range(12)])
    assert shop.room.logs["t-1"].events == before


def too_slow_on_a_cell(bench_weighing: bool) -> Shop:
    """A tree that loses weight far slower than any member in this air, so that it is on hold."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle", cell="cell-1")
    slow = [DRY_KG + 0.05 * math.exp(-minute / 150.0) for minute in range(360)]
    on_cell(shop, 150, slow)
    assert "weight-disagrees" in codes(shop.tree("t-1"))
    if bench_weighing:
        shop.weigh("t-1", slow[150])
    on_cell(shop, 210, slow[150:])
    return shop


@pytest.mark.parametrize("bench_weighing", [False, True])
def test_what_disagrees_stays_on_hold_whatever_is_weighed_next(bench_weighing: bool) -> None:
    """One weighing on the bench says nothing that could take back what the load cell has seen."""
    shop = too_slow_on_a_cell(bench_weighing)
    assert "weight-disagrees" in codes(shop.tree("t-1"))
    assert State.READY not in {said.state for said in shop.verdicts("t-1")}


def test_a_weighing_on_the_bench_leaves_what_the_cell_has_told() -> None:
    """The same minutes on the cell, with and without one honest weighing on the bench between them."""
    shops = [Shop(models=WIDE), Shop(models=WIDE)]
    for shop in shops:
        shop.run(0.2)
        shop.dip("t-1", "middle", cell="cell-1")
        on_cell(shop, 60, [mass(minute, tau_min=30.0) for minute in range(60)])
    shops[1].weigh("t-1", mass(60.0, tau_min=30.0))
    for shop in shops:
        shop.run(0.1)  # beyond the next verdict that is said anyway
    assert width(shops[1]) == pytest.approx(width(shops[0]), rel=0.02)


def with_a_weighed_neighbour(shelter: str, minutes: int, tau_min: float) -> Shop:
    """Two trees of a fitted coat on one rack; t-1 hangs on a cell, t-2 goes by what its neighbour tells."""
    learnt = {**MODELS, "middle": model("middle", parameters=HEATLESS, shelters_learned=())}
    shop = Shop(models=learnt)
    shop.run(0.2)
    shop.dip("t-1", "middle", cell="cell-1")
    shop.dip("t-2", "middle", shelter=shelter)
    on_cell(shop, minutes, [mass(minute, tau_min=tau_min) for minute in range(minutes)])
    return shop


UNMEASURED = {quantity: value for quantity, value in STEADY.items() if quantity is not Quantity.AIRFLOW}
WELL_KNOWN = {key: Spread(one.centre, 0.03) for key, one in HEATLESS.items()}


def best_guess_beside(tau_min: float | None) -> float:
    """Dryness of a tree on a rack without an anemometer, its coat well known, after 40 min; beside it a tree on a cell
    that dries by a first-order lag, or one that nobody weighs.
    """
    shop = Shop(models={**MODELS, "middle": model("middle", parameters=WELL_KNOWN, dip_sd={"water": 0.03})})
    shop.run(0.2, UNMEASURED)
    shop.dip("t-1", "middle", cell="cell-1")
    shop.dip("t-2", "middle")
    if tau_min is None:
        shop.run(42 / 60, UNMEASURED)
    else:
        on_cell(shop, 42, [mass(minute, tau_min=tau_min) for minute in range(42)], UNMEASURED)
    return shop.tree("t-2").dryness.best


@pytest.mark.frozen
def test_a_weighed_tree_tells_its_neighbours_how_the_air_blows_where_nobody_measures_it() -> None:
    """The place in the assumed range of speeds is what trees of a rack share most."""
    quick, alone, slow = best_guess_beside(12.0), best_guess_beside(None), best_guess_beside(60.0)
    assert quick > alone + 0.03
    assert slow < alone - 0.03


def test_in_air_of_a_drifted_sensor_a_weighed_tree_teaches_its_neighbours_nothing() -> None:
    shop = with_a_weighed_neighbour("open", 45, tau_min=60.0)
    weighed = shop.room.logs["t-1"].newest()
    assert weighed is not None
    assert list(leans([weighed]).by_rack) == ["rack-a"]
    assert leans([replace(weighed, drifted=True)]) == Leans()


@pytest.mark.frozen
def test_one_weighing_does_not_make_a_tree_deaf_to_its_weighed_neighbours() -> None:
    shop = with_a_weighed_neighbour("open", 45, tau_min=60.0)
    before = shop.tree("t-2").dryness
    shop.weigh("t-2", 2.0)
    shop.run(1 / 60)
    after = shop.tree("t-2").dryness
    assert (after.low, after.best) == pytest.approx((before.low, before.best), abs=0.03)


def test_a_look_releases_what_the_verdict_named_though_neighbours_had_a_say_in_it() -> None:
    """By itself the tree would not quite be dry yet; its quick neighbour made it so, and hold for its pockets."""
    shop = with_a_weighed_neighbour("pocketed", 1, tau_min=12.0)
    for minute in range(1, 600):
        on_cell(shop, 1, [mass(minute, tau_min=12.0)])
        if shop.tree("t-2").state is State.HOLD:
            break
    assert codes(shop.tree("t-2")) == {"pocket-unlearned"}
    alone = shop.room.logs["t-2"].state(shop.now.timestamp(), keep=False)
    assert alone is not None
    assert alone.chance_dry < 0.9, "or the neighbour had no say in it"
    assert holding(shop.room.world, alone, True) == frozenset(), "or a look would release it anyway"
    shop.look("t-2")
    assert "pocket-unlearned" not in codes(shop.tree("t-2"))
    on_cell(shop, 60, [mass(600.0)] * 60)
    assert not [codes(said) for said in shop.verdicts("t-2")[-5:] if said.state is State.HOLD]


def cell_says(kg: list[float], rough: float = 2e-4, told: Callable[[Shop, int], None] | None = None) -> Shop:
    """A tree dipped after ten minutes of these masses, and a cell that reports every 20 s with a little noise; told:
    what somebody types at each minute.
    """
    shop = Shop()
    shop.run(0.2)
    for minute, value in enumerate(kg):
        if minute == 10:
            shop.dip("t-1", "middle", cell="cell-1")
        if told is not None:
            told(shop, minute)
        for second in (15, 35, 55):
            stamp = shop.now + timedelta(seconds=second)
            noise = rough * math.sin(minute * 7.0 + second)
            for quantity, number in {**(STEADY if second == 15 else {}), Quantity.WEIGHT: value + noise}.items():
                shop.said += shop.room.advance(stamp)
                place, sensor = ("rack-a", "cell-1") if quantity is Quantity.WEIGHT else ("room", "")
                shop.room.tell([reading(stamp, quantity, number, place, sensor)])
        shop.now += timedelta(minutes=1)
        shop.said += shop.room.advance(shop.now)
    return shop


def lost(minute: int, share: float = 1.0, frozen: int = 10**6) -> float:
    """A dip that puts 0.95 kg on, of which 0.05 kg is water that leaves by a first-order lag of 25 min; `share` of it
    shows, until it freezes.
    """
    if minute < 10:
        return 4.0
    return 4.95 - 0.05 * share * (1.0 - math.exp(-(min(minute, frozen) - 10) / 25.0))


@pytest.mark.parametrize(
    ("what", "kg", "rough"),
    [
        ("an empty hook", [0.0] * 300, 0.0),
        ("an empty hook that trembles", [0.0] * 300, 2e-4),
        ("a cell that shows the same from before the dip", [4.0] * 300, 2e-4),
        ("the dip's step and not a gram lost", [lost(minute, 0.0) for minute in range(300)], 2e-4),
        ("the dip's step and hardly anything lost", [lost(minute, 0.06) for minute in range(300)], 2e-4),
        ("digits that freeze half-way", [lost(minute, frozen=28) for minute in range(300)], 0.0),
    ],
)
def test_a_dead_or_stuck_cell_is_doubted_and_makes_nothing_ready(what: str, kg: list[float], rough: float) -> None:
    """Dry mass and area are unknown, so a flat line would go with any tree that has long been dry; but no tree takes a
    kilogram of slurry and stucco on and loses a few grams.
    """
    shop = cell_says(kg, rough)
    assert "weight-disagrees" in codes(shop.tree("t-1")), what
    assert shop.tree("t-1").state is State.HOLD
    assert State.READY not in {said.state for said in shop.verdicts("t-1")}
    assert [doubt.subject for doubt in shop.room.standing().doubts if doubt.kind == "cell-doubt"] == ["cell-1"]


@pytest.mark.parametrize("rough", [0.0, 2e-4])
def test_a_sound_cell_of_such_a_tree_is_believed_to_the_end(rough: float) -> None:
    """Once it is dry its digits may stand still for hours: nothing more is to be lost."""
    shop = cell_says([lost(minute) for minute in range(400)], rough)
    assert State.HOLD not in {said.state for said in shop.verdicts("t-1")}
    assert shop.tree("t-1").state is State.READY


DIPPED_AGAIN = 300


def dipped_again(minute: int) -> float:
    return lost(minute) if minute < DIPPED_AGAIN else lost(DIPPED_AGAIN) - 4.0 + lost(minute - DIPPED_AGAIN + 10)


def test_a_dip_that_nobody_told_of_is_proposed_and_the_tree_held() -> None:
    """What was ready is so no more: under the slurry that hangs there now nobody knows what is dry."""
    shop = cell_says([dipped_again(minute) for minute in range(DIPPED_AGAIN + 60)])
    states = [said.state for said in shop.verdicts("t-1")]
    assert State.READY in states
    assert shop.tree("t-1").state is State.HOLD
    assert "rose by 0.95 kg" in text(shop.tree("t-1"), "weight-disagrees")
    assert not [doubt for doubt in shop.room.standing().doubts if doubt.kind == "cell-doubt"]


@pytest.mark.parametrize("with_its_time", [True, False])
@pytest.mark.parametrize("late", [10, 40])
def test_a_dip_told_late_finds_its_weighings(late: int, with_its_time: bool) -> None:
    """As if it had been told at once: its own coat, no hold, no word of a redip that came too early."""

    def told(shop: Shop, minute: int) -> None:
        if minute == DIPPED_AGAIN + late:
            shop.dip("t-1", "middle", number=2, time=shop.now - timedelta(minutes=late * with_its_time))

    shop = cell_says([dipped_again(minute) for minute in range(DIPPED_AGAIN + 500)], told=told)
    assert shop.tree("t-1").number == 2
    later = [said for said in shop.verdicts("t-1") if said.number == 2]
    assert {said.state for said in later} == {State.DRYING, State.READY}
    assert not [said for said in later if "redipped-early" in codes(said)]


def test_a_tree_hung_on_an_empty_hook_is_not_taken_for_a_coat_of_its_weight() -> None:
    """The hook is empty, then the tree hangs there with its first coat: five kilograms, none of them the coat's own."""
    shop = cell_says([0.0 if minute < 10 else lost(minute) for minute in range(400)])
    assert State.HOLD not in {said.state for said in shop.verdicts("t-1")}
    assert shop.tree("t-1").state is State.READY


def test_a_scale_of_whole_grams_is_not_stuck_between_two_of_them() -> None:
    shop = cell_says([round(lost(minute), 3) for minute in range(400)], 0.0)
    assert State.HOLD not in {said.state for said in shop.verdicts("t-1")}


def exchanged(told: Callable[[Shop], None] | None = None, away_min: int = 0) -> Shop:
    """Two trees on two cells, dipped together; four hours later each hangs in the other's place, t-1's cell lighter by
    41 g, after so many minutes of empty hooks. told: what somebody says of it twenty minutes later.
    """
    shop = Shop()
    shop.run(0.2)
    for tree, cell in (("t-1", "cell-1"), ("t-2", "cell-2")):
        shop.dip(tree, "middle", cell=cell)
    for minute in range(1, 330):
        swapped = minute >= 240
        empty = swapped and minute < 240 + away_min
        for second in (15, 35, 55):
            stamp = shop.now + timedelta(seconds=second)
            shop.said += shop.room.advance(stamp)
            first, second_kg = (0.0 if empty else lost(minute + 10) - 0.041 * heavy for heavy in (swapped, not swapped))
            shop.room.tell([reading(stamp, quantity, value) for quantity, value in STEADY.items()])
            for cell, kg in (("cell-1", first), ("cell-2", second_kg)):
                shop.room.tell(
                    [reading(stamp, Quantity.WEIGHT, kg + 2e-4 * math.sin(7.0 * minute + second), "rack-a", cell)]
                )
        shop.now += timedelta(minutes=1)
        shop.said += shop.room.advance(shop.now)
        if told is not None and minute == 260:
            told(shop)
    return shop


@pytest.mark.parametrize("away_min", [0, 4])
def test_trees_that_changed_places_are_both_held_the_lighter_as_the_heavier(away_min: int) -> None:
    shop = exchanged(away_min=away_min)
    assert State.READY in {said.state for said in shop.verdicts("t-1") if said.time < shop.now - timedelta(minutes=90)}
    assert [shop.tree(name).state for name in ("t-1", "t-2")] == [State.HOLD, State.HOLD]
    at = {0: "10:11", 4: "10:15"}[away_min]
    assert f"the weight fell by 41 g at {at} all at once" in text(shop.tree("t-1"), "weight-disagrees")
    assert f"the weight rose by 0.04 kg at {at}" in text(shop.tree("t-2"), "weight-disagrees")
    shop.look("t-1")
    assert "weight-disagrees" not in codes(shop.tree("t-1"))


def test_an_exchange_that_is_told_with_its_time_holds_neither() -> None:
    def told(shop: Shop) -> None:
        for tree, cell in (("t-1", "cell-2"), ("t-2", "cell-1")):
            moved = shop.now - timedelta(minutes=21)
            shop.tell(Move(time=moved, arrived=shop.now, tree=tree, rack="rack-a", cell=cell))

    shop = exchanged(told)
    assert ["weight-disagrees" in codes(shop.tree(name)) for name in ("t-1", "t-2")] == [False, False]
