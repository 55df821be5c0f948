"""Where each rule of the plan turns: whose hands, which hours, how long is waited. Figures are worked out by hand."""

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from drymon.drying import coat, dips
from drymon.drying.coat_model import Spread
from drymon.drying.quantities import Quantity
from drymon.shop.air.air_book import AirBook
from drymon.shop.air.rack_air import RackAir
from drymon.shop.air.sensors import minute_done
from drymon.shop.facts.measured import ByCloth
from drymon.shop.facts.outcome import DayPlan, State, Verdict, When
from drymon.shop.facts.setup import Hours, Recipe
from drymon.shop.plan.open_hours import OpenHours
from drymon.shop.plan.planner import Planner
from drymon.shop.plan.schedule import Chain, Slot, Step, schedule
from drymon.shop.plan.waits import NEVER, Wait, Waits
from drymon.shop.tree.state import World
from tests.shop.invented_shop import BEGIN, MODELS, SETUP, Shop, model, reading

MONDAY = datetime(2031, 3, 3, tzinfo=UTC)
MIDNIGHT, HOUR, DAY = MONDAY.timestamp(), 3600.0, 86400.0
START = BEGIN.timestamp()
DAILY = Hours(tuple(range(7)), 7 * 60, 18 * 60, dip_min=10.0, hands=1)
T, RH, SPEED = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW


# --- hours -----------------------------------------------------------------------------------------------------------


def test_a_plan_reaches_sixty_days_and_no_further() -> None:
    hours = OpenHours(DAILY, UTC, MIDNIGHT)
    assert hours.first(MIDNIGHT + 60 * DAY + 8 * HOUR, 600.0) == MIDNIGHT + 60 * DAY + 8 * HOUR
    assert hours.first(MIDNIGHT + 61 * DAY, 600.0) == math.inf
    assert hours.end_of_span(MIDNIGHT + 60 * DAY + 8 * HOUR) == MIDNIGHT + 60 * DAY + 18 * HOUR
    assert hours.end_of_span(MIDNIGHT + 61 * DAY) == math.inf


def test_people_who_began_last_evening_are_there() -> None:
    """Sunday at ten to Monday at six; the plan begins on Monday at three."""
    night = OpenHours(Hours((6,), 22 * 60, 6 * 60), UTC, MIDNIGHT + 3 * HOUR)
    assert night.first(MIDNIGHT + 3 * HOUR, 600.0) == MIDNIGHT + 3 * HOUR
    assert night.end_of_span(MIDNIGHT + 3 * HOUR) == MIDNIGHT + 6 * HOUR


def test_a_shift_that_ends_when_it_begins_is_a_whole_day() -> None:
    hours = OpenHours(Hours((0, 1), 6 * 60, 6 * 60), UTC, MIDNIGHT)
    assert hours.first(MIDNIGHT + 30 * HOUR - 60.0, 600.0) == MIDNIGHT + 30 * HOUR - 60.0
    assert hours.end_of_span(MIDNIGHT + 6 * HOUR) == MIDNIGHT + 54 * HOUR, "two that touch are one"


def test_work_may_end_as_people_go_home_and_no_minute_later() -> None:
    hours = OpenHours(DAILY, UTC, MIDNIGHT)
    ten_to = MIDNIGHT + 18 * HOUR - 600.0
    assert hours.first(ten_to, 600.0) == ten_to
    assert hours.first(ten_to + 1.0, 600.0) == MIDNIGHT + DAY + 7 * HOUR
    assert hours.end_of_span(MIDNIGHT + 18 * HOUR) == MIDNIGHT + 18 * HOUR
    assert hours.end_of_span(MIDNIGHT + 18 * HOUR + 1.0) == MIDNIGHT + DAY + 18 * HOUR


# --- who comes first -------------------------------------------------------------------------------------------------


def planned(chains: list[Chain], hands: int = 1, now: float = 8.0, hours: Hours = DAILY) -> list[Slot]:
    return schedule(chains, OpenHours(hours, UTC, MIDNIGHT), 600.0, hands, MIDNIGHT + now * HOUR)


def chain(tree: str, at: float, *steps: Step, until: float = math.inf) -> Chain:
    return Chain(tree, MIDNIGHT + at * HOUR, steps, MIDNIGHT + until * HOUR)


def test_where_all_is_even_names_decide_and_hands_take_ten_minutes_each() -> None:
    even = [chain(name, 8.0, Step(HOUR)) for name in ("t-3", "t-1", "t-2")]
    slots = planned(even)
    assert [slot.tree for slot in slots] == ["t-1", "t-2", "t-3"]
    assert [slot.start_s - slots[0].start_s for slot in slots] == [0.0, 600.0, 1200.0]
    assert [slot.start_s - slots[0].start_s for slot in planned(even, hands=2)] == [0.0, 0.0, 600.0]


@pytest.mark.parametrize(("until", "first"), [(8.45, "t-due"), (8.5, "t-a"), (8.55, "t-a")])
def test_who_would_wait_beyond_its_limit_if_it_queued_goes_first(until: float, first: str) -> None:
    """Three are ready at eight: the queue is half an hour, so who may be dipped until half past eight can wait."""
    chains = [
        chain("t-a", 8.0, Step(6 * HOUR)),
        chain("t-b", 8.0, Step(6 * HOUR)),
        chain("t-due", 8.0, Step(2 * HOUR), until=until),
    ]
    assert planned(chains)[0].tree == first


def test_of_a_longer_way_the_whole_rest_counts() -> None:
    """Nine hours in three coats are more than eight in one."""
    three = chain("t-z", 8.0, *[Step(3 * HOUR)] * 3)
    assert planned([chain("t-a", 8.0, Step(8 * HOUR)), three])[0].tree == "t-z"


def test_a_tree_whose_time_is_not_known_is_left_out_and_holds_nobody_up() -> None:
    slots = planned([chain("t-1", math.inf, Step(HOUR)), chain("t-2", 9.0, Step(HOUR)), Chain("t-3", START, ())])
    assert [slot.tree for slot in slots] == ["t-2"]


def test_a_wait_that_just_fits_its_limit_is_neither_wet_nor_put_off() -> None:
    first, second = planned([chain("t-1", 8.0, Step(4 * HOUR, 4 * HOUR), Step(HOUR))])
    assert (first.start_s, first.too_long, first.put_off_s) == (MIDNIGHT + 8 * HOUR, "", None)
    assert second.start_s == MIDNIGHT + 12 * HOUR


@pytest.mark.parametrize(("until", "kept"), [(32.0, True), (31.0, True), (30.0, False)])
def test_a_dip_is_not_put_off_beyond_its_own_limit(until: float, kept: bool) -> None:
    """At 14:00 the dip after it would fall on the evening; next morning at seven it would do."""
    first = planned([chain("t-1", 14.0, Step(6 * HOUR, 10 * HOUR), Step(HOUR), until=until)], now=14.0)[0]
    assert (first.too_long == "") is kept
    assert first.start_s == MIDNIGHT + (31.0 if kept else 14.0) * HOUR
    assert first.put_off_s == (MIDNIGHT + 14 * HOUR if kept else None)


@pytest.mark.parametrize("days", [(0,), (0, 1, 2, 3, 4, 5, 6)])
def test_a_dip_whose_limit_nobody_can_keep_is_planned_all_the_same(days: tuple[int, ...]) -> None:
    """As soon as may be, however few days there are until the end of the plan."""
    hours = replace(DAILY, days=days)
    first, *_ = planned([chain("t-1", 8.0, Step(12 * HOUR, 12.5 * HOUR), Step(HOUR))], hours=hours)
    assert (first.start_s, first.too_long, first.put_off_s) == (MIDNIGHT + 8 * HOUR, "away", None)


def test_the_last_coat_has_no_dip_after_it_to_be_late_for() -> None:
    (only,) = planned([chain("t-1", 17.0, Step(2 * HOUR, 3 * HOUR))])
    assert (only.start_s, only.too_long, only.put_off_s) == (MIDNIGHT + 17 * HOUR, "", None)


# --- waits -----------------------------------------------------------------------------------------------------------


def world(
    humidity: Callable[[int], float],
    minutes: int,
    speed: float | None = 1.0,
    cloths: Mapping[bool, ByCloth] | None = None,
) -> World:
    """A room whose air was heard each minute from `minutes` before the beginning up to it and an hour beyond."""
    setup = SETUP
    book = AirBook(setup)
    for minute in range(-minutes, 130):
        stamp = BEGIN + timedelta(minutes=minute, seconds=10)
        for quantity, value in ((T, 22.0), (RH, humidity(minute)), (SPEED, speed)):
            if value is not None:
                book.enter(reading(stamp, quantity, min(value + 0.01 * (minute % 2), 100.0)))
    made = World(setup, MODELS, {rack.name: RackAir(book, rack) for rack in setup.racks})
    made.air["rack-a"].measured(cloths or {})
    for minute in range(-minutes, 130):
        made.air["rack-a"].minute(minute_done(START + 60.0 * minute))
    return made


def wait(room: World, at: float = START, coat_name: str = "middle") -> Wait:
    return wait_of(Waits(room), at, coat_name)


def wait_of(waits: Waits, at: float, coat_name: str = "middle") -> Wait:
    return waits.of("rack-a", coat_name, 2, "open", at)


def test_a_coat_to_come_takes_as_long_as_half_and_as_19_in_20_of_its_possible_coats_do() -> None:
    """In the air of the day, by the closed form of steady air."""
    room = world(lambda _: 45.0, 30)
    found = wait(room)
    step = room.air["rack-a"].minute(minute_done(START)).step
    coats = dips.possible_coats(MODELS["middle"], 2, "open", rack="rack-a")
    seconds = np.sort(coat.steady_seconds(coats, 0.05, step))
    assert (found.likely_s, found.sure_s) == pytest.approx((seconds[127], seconds[243]), rel=0.01)
    timed = wait(room, coat_name="timed")
    assert timed.likely_s == 4 * HOUR, "no sooner than its shortest wait"


def test_the_past_day_counts_and_no_minute_of_the_night_before_it() -> None:
    steady = wait(world(lambda _: 45.0, 1600))
    before = wait(world(lambda minute: 45.0 if minute >= -1445 else 85.0, 1600))
    inside = wait(world(lambda minute: 45.0 if minute >= -1400 else 85.0, 1600))
    assert before.sure_s == pytest.approx(steady.sure_s, rel=1e-4)
    assert inside.sure_s > 1.005 * steady.sure_s


@pytest.mark.parametrize(
    ("later", "humidity", "anew"),
    [(3540.0, 70.0, False), (3600.0, 70.0, True), (3600.0, 47.5, False), (3600.0, 48.3, True)],
)
def test_a_wait_is_kept_for_an_hour_and_while_the_air_takes_as_much(later: float, humidity: float, anew: bool) -> None:
    """To 5 %: from 45 to 47.5 %RH the air takes 4.5 % less, to 48.3 6 %. The day is an hour long here."""
    room = world(lambda minute: 45.0 if minute < 0 else humidity, 2)
    waits = Waits(room)
    first = waits.of("rack-a", "middle", 2, "open", START)
    assert (waits.of("rack-a", "middle", 2, "open", START + later) != first) is anew
    other = waits.of("rack-a", "middle", 2, "deep", START)
    assert other.sure_s > first.sure_s, "another shelter is another wait"


def test_where_nothing_dries_or_nothing_is_known_a_coat_to_come_takes_for_ever() -> None:
    """In saturated air, also when that is looked at again after an hour; at a rack that nobody measures."""
    waits = Waits(world(lambda _: 100.0, 5))
    for later in (0.0, 3600.0):
        assert wait_of(waits, START + later) == NEVER
    assert waits.of("rack-c", "middle", 2, "open", START) == NEVER


def test_a_thin_coat_may_be_dry_within_minutes() -> None:
    """Where its type asks for no shortest wait."""
    thin = model("middle", parameters={**MODELS["middle"].parameters, "water": Spread(0.001, 0.1)})
    room = world(lambda _: 45.0, 5)
    assert wait(World(SETUP, {**MODELS, "middle": thin}, room.air)).likely_s < 600.0


def test_the_air_of_the_day_is_no_damper_than_saturated() -> None:
    """Warm and cold air that are both saturated would be mist if they were mixed."""
    book = AirBook(SETUP)
    for minute in range(-60, 1):
        for quantity, value in ((T, 10.0 if minute < -30 else 30.0), (RH, 100.0)):
            book.enter(reading(BEGIN + timedelta(minutes=minute, seconds=10), quantity, value))
    room = World(SETUP, MODELS, {rack.name: RackAir(book, rack) for rack in SETUP.racks})
    for minute in range(-60, 1):
        room.air["rack-a"].minute(minute_done(START) + minute)
    told = Waits(room).air("rack-a", START)
    assert told is not None
    assert 10.0 < told.temperature_c < 30.0
    assert told.humidity_pct == 100.0


def test_a_wet_cloth_tells_of_coats_to_come_where_no_air_speed_is_measured() -> None:
    """A starting model's; its range stands in the place of the assumed one."""
    by_cloth = ByCloth(2.0, 3.0, BEGIN)
    found = {}
    for speed in (None, 1.0):
        for cloth in (None, by_cloth):
            room = world(lambda _: 45.0, 5, speed, {} if cloth is None else {True: cloth})
            told = Waits(room).air("rack-a", START)
            assert told is not None
            if speed is None:
                assert (told.airflow, told.assumed) == (None, (0.3, 2.0) if cloth is None else (2.0, 3.0))
            found[speed, cloth is not None] = wait(World(SETUP, {"middle": model("middle", 0)}, room.air))
    assert found[1.0, True] == found[1.0, False]
    plain, cloth_ = found[None, False], found[None, True]
    assert cloth_.likely_s < plain.likely_s
    assert cloth_.sure_s / cloth_.likely_s < plain.sure_s / plain.likely_s, "the cloth knows it better than a guess"


# --- the plan --------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shop() -> Shop:
    recipes = tuple(recipe for recipe in SETUP.recipes if recipe.name == "short")
    made = Shop(replace(SETUP, recipes=recipes, hours=Hours()), MODELS)
    made.run(1.0)
    made.dip("t-1", "prime")
    made.run(0.1)
    return made


def plan_of(shop: Shop, *verdicts: Verdict) -> DayPlan:
    return Planner(shop.room.world).plan(verdicts, shop.now.timestamp(), UTC)


def dry(verdict: Verdict, shop: Shop, *hours: float | None) -> Verdict:
    """Its coat is dry so many hours from now: early or likely, likely, surely."""
    return replace(verdict, dry_at=When(*(None if h is None else shop.now + timedelta(hours=h) for h in hours)))


def test_a_plan_holds_for_half_an_hour(shop: Shop) -> None:
    made = plan_of(shop, shop.tree("t-1"))
    assert made.valid_until - made.time == timedelta(minutes=30)


@pytest.mark.parametrize(("hours", "soon"), [(23.9, True), (24.1, False)])
def test_next_is_what_falls_within_a_day_where_people_are_always_there(shop: Shop, hours: float, soon: bool) -> None:
    made = plan_of(shop, dry(shop.tree("t-1"), shop, 1.0, 2.0, hours))
    assert [dip.number for dip in made.next] == ([2] if soon else [])
    assert [dip.number for dip in made.later] == ([3] if soon else [2, 3])


def test_a_dip_is_told_from_likely_dry_on_and_three_tenths_later_at_the_latest(shop: Shop) -> None:
    made = plan_of(shop, dry(shop.tree("t-1"), shop, 1.0, 2.0, 5.0))
    first = made.next[0]
    allowed = (first.allowed.early, first.allowed.best, first.allowed.late)
    assert [(moment - shop.now) / timedelta(hours=1) for moment in allowed] == pytest.approx([2.0, 5.0, 6.5])
    assert first.at == first.allowed.best
    assert first.dry.early is None
    assert first.dry.best is not None
    assert first.dry.late is not None
    assert first.at < first.dry.best < first.dry.late


def test_the_ends_of_a_finish_are_three_tenths_nearer_and_further_off_than_the_planned_one(shop: Shop) -> None:
    """With people always there and one tree every wait stands alone."""
    end = plan_of(shop, dry(shop.tree("t-1"), shop, 1.0, 2.0, 5.0)).finishes["t-1"]
    ahead = [(moment - shop.now) / (end.best - shop.now) for moment in (end.early, end.late)]
    assert ahead == pytest.approx([0.7, 1.3], abs=1e-6)


def test_what_is_overdue_is_planned_for_now_and_what_is_not_known_for_never(shop: Shop) -> None:
    over = plan_of(shop, dry(shop.tree("t-1"), shop, -3.0, -2.0, -1.0))
    assert over.next[0].at == shop.now
    assert over.now == (), "it is not ready"
    never = plan_of(shop, dry(shop.tree("t-1"), shop, 1.0, 2.0, None))
    assert (never.next, never.later) == ((), ())
    end = never.finishes["t-1"]
    assert (end.early, end.best, end.late) == (None, None, None)


def test_a_longest_wait_is_told_with_the_next_dip_alone(shop: Shop) -> None:
    by = shop.now + timedelta(hours=9)
    made = plan_of(shop, replace(dry(shop.tree("t-1"), shop, 1.0, 2.0, 5.0), redip_by=by))
    assert [dip.until for dip in (*made.next, *made.later)] == [by, None]


def test_only_ready_trees_are_for_now_and_each_with_one_dip(shop: Shop) -> None:
    ready = replace(shop.tree("t-1"), state=State.READY)
    made = plan_of(shop, ready)
    assert [(dip.tree, dip.number) for dip in made.now] == [("t-1", 2)]
    assert [dip.number for dip in (*made.next, *made.later)] == [3]
    for state in (State.HOLD, State.UNKNOWN, State.COMPLETE):
        assert plan_of(shop, replace(ready, state=state)).finishes == {}
    assert plan_of(shop, replace(ready, rack="elsewhere")).finishes == {}
    assert plan_of(shop, replace(ready, last_coat=True)).finishes == {}


@pytest.mark.parametrize(
    ("water", "begin_min", "end_min", "note"),
    [
        (1.0, 0, 24 * 60, "it may not be surely dry within its longest wait of 6 h: touch-test it"),
        (0.05, 7 * 60, 9 * 60, "nobody is there for the next dip within its longest wait of 6 h: somebody must come"),
        (0.05, 0, 24 * 60, ""),
    ],
)
def test_a_longest_wait_that_cannot_be_kept_is_told_before_the_dip(
    shop: Shop, water: float, begin_min: int, end_min: int, note: str
) -> None:
    """The coat to come may be dipped again from four to six hours after it: it dries too slowly, or all have gone."""
    recipes = (Recipe("short", ("prime", "timed", "backup")),)
    setup = replace(SETUP, recipes=recipes, hours=Hours(tuple(range(7)), begin_min, end_min))
    thick = model("timed", parameters={**MODELS["timed"].parameters, "water": Spread(water, 0.1)})
    room = World(setup, {**MODELS, "timed": thick}, shop.room.world.air)
    verdict = replace(dry(shop.tree("t-1"), shop, 1.0, 2.0, 5.0), next_coat="timed")
    made = Planner(room).plan([verdict], shop.now.timestamp(), UTC)
    (told,) = [dip for dip in (*made.next, *made.later) if dip.coat == "timed"]
    assert told.note.startswith(note)
    assert bool(told.note) is bool(note)
