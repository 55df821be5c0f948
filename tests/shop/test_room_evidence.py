"""Evidence that goes missing or is doubted: never ready without it, no drying in a gap, back when it is."""

from dataclasses import replace
from datetime import timedelta

import pytest

from drymon.drying.quantities import Quantity
from drymon.messages.coat_models import load_models
from drymon.shop.facts.outcome import Alert, State
from tests.shop.invented_shop import BEGIN, SETUP, STEADY, Shop, codes, reading

T, RH, SPEED = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW
NO_SPEED = {T: 22.0, RH: 45.0}


def sensor(shop: Shop, quantity: Quantity, place: str = "room") -> str:
    return next(s.state for s in shop.room.standing().sensors if (s.quantity, s.place) == (quantity.value, place))


@pytest.mark.parametrize("air", [STEADY, NO_SPEED])
@pytest.mark.parametrize("gap_h", [0.5, 2.0, 5.0])
def test_no_drying_is_counted_through_a_gap_on_the_cautious_side(air: dict[Quantity, float], gap_h: float) -> None:
    whole, broken = Shop(), Shop()
    for shop in (whole, broken):
        shop.run(0.2, air)
        shop.dip("t-1", "middle")
        shop.run(0.5, air)
    broken.run(gap_h, None)
    after = [v for v in broken.verdicts("t-1") if v.state is State.UNKNOWN]
    assert "air-unknown" in codes(broken.tree("t-1"))
    assert len(after) >= gap_h * 10
    lows = [v.dryness.low for v in after]
    assert max(lows) <= lows[0] + 1e-9
    broken.run(1 / 30, air)
    assert broken.tree("t-1").state is not State.UNKNOWN
    ready = [shop.until("t-1", State.READY, 72, air) for shop in (whole, broken)]
    # Readings are evidence for another ten minutes after the last of them: as much of the silence counts as drying.
    assert ready[1] >= ready[0] + gap_h - 10.5 / 60


def test_a_tree_that_was_ready_is_unknown_without_air_and_ready_again_with_it() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.until("t-1", State.READY)
    shop.run(0.5, None)
    assert shop.tree("t-1").state is State.UNKNOWN
    assert not shop.tree("t-1").safe_to_redip
    shop.run(0.1)
    assert shop.tree("t-1").state is State.READY


@pytest.mark.parametrize("stale_min", [5.0, 10.0, 30.0])
def test_stale_exactly_after_the_minutes_set(stale_min: float) -> None:
    shop = Shop(replace(SETUP, stale_after_min=stale_min))
    shop.run(0.2)
    shop.dip("t-1", "middle")
    last = shop.now  # the last readings came with this whole minute
    shop.room.tell([reading(last, quantity, value) for quantity, value in STEADY.items()])
    shop.run((stale_min + 3) / 60, None)
    unknown = next(v.time for v in shop.verdicts("t-1") if v.state is State.UNKNOWN)
    fresh = [v.time for v in shop.verdicts("t-1") if v.state is not State.UNKNOWN]
    limit = last + timedelta(minutes=stale_min)
    assert limit < unknown <= limit + timedelta(minutes=1)
    assert max(fresh) <= limit


def test_the_other_racks_go_on_when_one_racks_sensor_dies() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.run(0.2, STEADY, "rack-c")
    shop.dip("t-1", "middle", "rack-c")
    shop.dip("t-2", "middle", "rack-a")
    shop.run(0.5)
    assert shop.tree("t-1").state is State.UNKNOWN
    assert shop.tree("t-2").state is State.DRYING


def test_the_racks_own_sensor_comes_before_the_rooms_and_the_room_stands_in() -> None:
    damp = {T: 22.0, RH: 80.0, SPEED: 1.0}
    shop = Shop()
    for _ in range(12):
        shop.run(1 / 60, damp, "rack-a")
        shop.room.tell([reading(shop.now, q, v, "room") for q, v in STEADY.items()])
    assert shop.rack("rack-a").air.humidity_pct == pytest.approx(80.0)
    assert shop.rack("rack-b").air.humidity_pct == pytest.approx(45.0)
    shop.run(0.3)
    assert shop.rack("rack-a").air.humidity_pct == pytest.approx(45.0)


def test_several_sensors_of_one_place_give_their_median() -> None:
    shop = Shop()
    for minute in range(5):
        stamp = BEGIN + timedelta(minutes=minute, seconds=30)
        shop.room.tell([reading(stamp, RH, value, sensor=name) for name, value in (("x", 44), ("y", 46), ("z", 90))])
        shop.room.tell([reading(stamp, T, 22.0)])
        shop.room.advance(BEGIN + timedelta(minutes=minute + 1))
    assert shop.rack("rack-a").air.humidity_pct == pytest.approx(46.0)


# Frozen together


def frozen(shop: Shop, hours: float, pair: dict[Quantity, float] | None, elsewhere: dict[Quantity, float]) -> None:
    """Minutes in which rack-c repeats a pair (None: it flickers about 22 degC and 40 %RH), while the room's temperature
    and humidity go up and down by these amounts from 24 degC and 82 %RH.
    """
    for _ in range(round(60 * hours)):
        minute = round((shop.now - BEGIN).total_seconds() / 60)
        wave = abs(minute % 60 - 30) / 30
        own = pair or {T: 22.0 + minute % 7 / 100, RH: 40.0 + minute % 11 / 100}
        room = {T: 24.0 + wave * elsewhere[T] + minute % 7 / 100, RH: 82.0 + wave * elsewhere[RH] + minute % 11 / 100}
        shop.room.tell([reading(shop.now, q, v, "rack-c") for q, v in {**own, SPEED: 1.0 + wave}.items()])
        shop.room.tell([reading(shop.now, q, v, "room") for q, v in room.items()])
        shop.now += timedelta(minutes=1)
        shop.said += shop.room.advance(shop.now)


PAIR = {T: 22.0, RH: 40.0}


@pytest.mark.parametrize("elsewhere", [{T: 0.0, RH: 6.0}, {T: 1.5, RH: 0.0}])
def test_a_frozen_pair_is_stuck_where_another_place_moves(elsewhere: dict[Quantity, float]) -> None:
    """Temperature and humidity of one node repeat from the first minute on; each is the other's only proof."""
    shop = Shop()
    frozen(shop, 0.2, PAIR, elsewhere)
    shop.dip("t-1", "backup", "rack-c")
    frozen(shop, 2.0, PAIR, elsewhere)
    assert [sensor(shop, quantity, "rack-c") for quantity in (T, RH)] == ["stuck", "stuck"]
    assert shop.tree("t-1").state is State.UNKNOWN
    told = [(a.kind, a.subject, a.state) for a in shop.said if isinstance(a, Alert) and a.kind == "sensor-stuck"]
    assert told == [("sensor-stuck", "rack-c", "raised")], "one node, one alarm"
    frozen(shop, 0.5, None, elsewhere)
    assert [sensor(shop, quantity, "rack-c") for quantity in (T, RH)] == ["ok", "ok"]


def test_a_pair_with_fine_digits_that_used_to_move_is_frozen_after_three_hours_alone() -> None:
    """Nothing else of the room moves: 0.01 K and 0.01 %RH do not both stand still for three hours."""
    shop = Shop()
    frozen(shop, 1.0, None, {T: 0.0, RH: 0.0})
    frozen(shop, 2.9, PAIR, {T: 0.0, RH: 0.0})
    assert sensor(shop, T, "rack-c") == "ok"
    frozen(shop, 0.2, PAIR, {T: 0.0, RH: 0.0})
    assert [sensor(shop, quantity, "rack-c") for quantity in (T, RH)] == ["stuck", "stuck"]


def test_coarse_digits_may_rest_for_a_night() -> None:
    shop = Shop()
    for minute in range(600):
        day = minute < 120
        air = {T: 22.0 + minute // 10 % 7 * day, RH: 40.0 + minute // 10 % 9 * day}
        shop.room.tell([reading(shop.now, quantity, value, "rack-c") for quantity, value in air.items()])
        shop.now += timedelta(minutes=1)
        shop.said += shop.room.advance(shop.now)
    assert [sensor(shop, quantity, "rack-c") for quantity in (T, RH)] == ["ok", "ok"]


def test_a_place_whose_temperature_lives_is_not_stuck_for_its_neighbours_sake() -> None:
    """Its own air is seen to rest within a degree; what moves elsewhere may be a door."""
    shop = Shop()
    for minute in range(300):
        own = {T: 22.0 + minute % 7 / 100, RH: 40.0}
        shop.room.tell([reading(shop.now, quantity, value, "rack-c") for quantity, value in own.items()])
        shop.room.tell([reading(shop.now, RH, 45.0 + minute % 60 / 5, "room")])
        shop.now += timedelta(minutes=1)
        shop.said += shop.room.advance(shop.now)
    assert sensor(shop, RH, "rack-c") == "ok"


# Retained, out of range, too fast


@pytest.mark.parametrize("fraction", [1.0, 1.02])
def test_a_fraction_sent_as_percent_in_saturated_air_is_no_evidence_of_dry_air(fraction: float) -> None:
    shop = Shop()
    shop.run(0.2, {T: 22.0, RH: fraction, SPEED: 1.0})
    shop.dip("t-1", "middle")
    shop.run(24, {T: 22.0, RH: fraction, SPEED: 1.0})
    assert {said.state for said in shop.verdicts("t-1")} == {State.UNKNOWN}
    assert sensor(shop, RH) == "out-of-range"


def test_retained_readings_are_never_fresh() -> None:
    shop = Shop()
    for _ in range(5):
        stamp = shop.now + timedelta(seconds=5)
        shop.room.tell([reading(stamp, quantity, value, retained=True) for quantity, value in STEADY.items()])
        shop.run(1 / 60, None)
    assert shop.dip("t-1", "middle").state is State.UNKNOWN
    assert sensor(shop, RH) == "retained"
    shop.run(0.1)
    assert shop.tree("t-1").state is State.DRYING
    assert sensor(shop, RH) == "ok"


def test_a_retained_value_does_not_refresh_a_silent_sensor() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    for _ in range(20):
        shop.room.tell([reading(shop.now, quantity, value, retained=True) for quantity, value in STEADY.items()])
        shop.run(1 / 60, None)
    assert shop.tree("t-1").state is State.UNKNOWN


@pytest.mark.parametrize(("set_min", "minutes"), [(0.25, 1), (1.0, 1), (1.5, 2), (10.0, 10)])
def test_air_is_fresh_for_whole_minutes_one_at_least(set_min: float, minutes: int) -> None:
    assert replace(SETUP, stale_after_min=set_min).stale_after == timedelta(minutes=minutes)


def test_a_sensor_is_silent_once_its_last_reading_is_stale_and_a_retained_one_stays_so() -> None:
    """Ten minutes are `stale_after_min`."""
    shop = Shop()
    shop.run(0.2)
    shop.room.tell([reading(shop.now, T, 22.0, "rack-a", retained=True)])
    said = []
    for _ in range(12):
        shop.run(1 / 60, None)
        said.append(sensor(shop, RH))
    assert (said[0], said[8], said[-1]) == ("ok", "ok", "silent")
    assert sensor(shop, T, "rack-a") == "retained"
    shop.run(1 / 60)
    assert sensor(shop, RH) == "ok"


@pytest.mark.parametrize(
    ("quantity", "value"), [(T, 85.0), (T, -127.0), (RH, 0.0), (RH, 120.0), (T, 51.0), (RH, 100.5)]
)
def test_impossible_values_are_no_evidence(quantity: Quantity, value: float) -> None:
    """A disconnected probe's famous digits (85 and -127 degC) among them."""
    shop = Shop()
    shop.run(0.3)
    shop.dip("t-1", "middle")
    shop.run(0.5, {**STEADY, quantity: value})
    assert sensor(shop, quantity) == "out-of-range"
    assert shop.tree("t-1").state is State.UNKNOWN
    shop.run(0.1)
    assert shop.tree("t-1").state is State.DRYING


def test_a_jump_is_no_evidence_until_time_makes_it_possible() -> None:
    shop = Shop()
    shop.run(0.3)
    shop.run(1 / 60, {**STEADY, T: 40.0})
    assert sensor(shop, T) == "too-fast"
    assert shop.rack("rack-a").air.temperature_c == pytest.approx(22.0)
    shop.run(0.2, {**STEADY, T: 40.0})  # 18 K within 5 min: a shop door can do that
    assert sensor(shop, T) == "ok"
    assert shop.rack("rack-a").air.temperature_c == pytest.approx(40.0)


# Stuck


def drifting(hour: float) -> dict[Quantity, float]:
    return {T: round(22.0 + 2.5 * hour, 2), RH: 45.0, SPEED: 1.0}


def test_digits_that_stay_while_the_partner_moves_are_stuck_from_their_first_on() -> None:
    shop = Shop()
    shop.run(0.2, lambda h: {T: 22.0, RH: 48.0 - h * 5, SPEED: 1.0})
    shop.dip("t-1", "middle")
    shop.run(2.0, drifting)
    assert sensor(shop, RH) == "stuck"
    assert shop.tree("t-1").state is State.UNKNOWN
    honest = Shop()
    honest.run(0.2)
    honest.dip("t-1", "middle")
    honest.run(2.0)
    assert shop.tree("t-1").dryness.low < honest.tree("t-1").dryness.low - 0.2  # what had been counted is taken back
    shop.run(0.2, lambda h: {**drifting(h), RH: 46.0 + h / 10})
    assert sensor(shop, RH) == "ok"
    assert shop.tree("t-1").state is State.DRYING


def test_quiet_air_is_not_stuck() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.until("t-1", State.READY)
    shop.run(10)
    assert {s.state for s in shop.room.standing().sensors} == {"ok"}
    assert shop.tree("t-1").state is State.READY


def test_one_step_of_the_partner_is_no_proof() -> None:
    """Heating switched on once: humidity that stays for another hour on coarse digits is not called stuck."""
    shop = Shop()
    shop.run(0.5)
    shop.run(2.0, {**STEADY, T: 24.0})
    assert sensor(shop, RH) == "ok"


def test_still_air_is_honest_for_days() -> None:
    shop = Shop()
    shop.run(0.5, lambda h: {T: 22.0, RH: 45.0, SPEED: 1.0 + round(h, 2)})
    shop.run(6, lambda h: {T: 20.0 + h, RH: 45.0 + h, SPEED: 0.0})
    assert sensor(shop, SPEED) == "ok"
    assert shop.rack("rack-a").air.airflow_m_per_s == 0.0


def test_a_lively_anemometer_that_freezes_is_stuck_and_its_speed_assumed() -> None:
    shop = Shop()
    shop.run(0.5, lambda h: {T: 22.0, RH: 45.0, SPEED: 1.0 + round(h, 2)})
    shop.dip("t-1", "middle")
    shop.run(1.2, {T: 22.0, RH: 45.0, SPEED: 1.37})
    assert sensor(shop, SPEED) == "stuck"
    assert shop.rack("rack-a").air.airflow_assumed
    assert "airflow-assumed" in codes(shop.tree("t-1"))
    assert shop.tree("t-1").state is not State.UNKNOWN  # the rest is evidence


def test_a_coarse_anemometer_that_never_was_lively_is_believed() -> None:
    shop = Shop()
    shop.run(3)
    assert sensor(shop, SPEED) == "ok"


def test_a_silent_anemometer_is_no_gap_but_assumed_from_still_air_on() -> None:
    whole, silent = Shop(), Shop()
    for shop in (whole, silent):
        shop.run(0.2)
        shop.dip("t-1", "middle")
    silent.run(0.4, NO_SPEED)
    assert silent.tree("t-1").state is State.DRYING
    assert silent.rack("rack-a").air.airflow_assumed
    assert silent.until("t-1", State.READY, 72, NO_SPEED) > whole.until("t-1", State.READY)


# Fans


def test_fans_known_to_be_off_slow_what_nothing_measures() -> None:
    on, off = Shop(), Shop()
    for shop in (on, off):
        shop.run(0.2, NO_SPEED)
        shop.dip("t-1", "middle")
    off.fan("rack-a", on=False)
    ready = [shop.until("t-1", State.READY, 72, NO_SPEED) for shop in (on, off)]
    assert ready[1] > ready[0] + 0.5


def test_fans_are_their_racks_own_and_a_measured_speed_is_believed_over_a_switch() -> None:
    shop, measured = Shop(), Shop()
    shop.run(0.2, NO_SPEED)
    measured.run(0.2)
    for one in (shop, measured):
        one.dip("t-1", "middle", "rack-a")
        one.dip("t-2", "middle", "rack-b")
        one.fan("rack-b", on=False)
    shop.run(1, NO_SPEED)
    measured.run(1)
    assert shop.tree("t-2").dryness.best < shop.tree("t-1").dryness.best - 0.1
    assert measured.tree("t-2").dryness.best == pytest.approx(measured.tree("t-1").dryness.best, abs=0.02)


def test_fans_on_again() -> None:
    shop = Shop()
    shop.run(0.2, NO_SPEED)
    shop.dip("t-1", "middle")
    shop.fan("rack-a", on=False)
    shop.run(0.05, NO_SPEED)  # the heat of the fresh tree goes with or without a fan
    cooled = shop.tree("t-1").dryness.best
    shop.run(0.3, NO_SPEED)
    slow = shop.tree("t-1").dryness.best
    shop.fan("rack-a", on=True)
    shop.run(0.3, NO_SPEED)
    assert shop.tree("t-1").dryness.best - slow > slow - cooled  # though what is left leaves ever more slowly


# Evidence of other kinds


def test_a_finger_in_the_pocket_tells_of_the_pocket() -> None:
    """Wet in the pocket while the faces are dry already: that tree waits longer than one that nobody felt."""
    plain, face, pocket = Shop(), Shop(), Shop()
    for shop in (plain, face, pocket):
        shop.run(0.2)
        shop.dip("t-1", "middle", shelter="pocketed")
        shop.run(1.2)
    face.felt("t-1", "wet")
    pocket.felt("t-1", "wet", where="pocket")
    best = [shop.tree("t-1").dryness.best for shop in (plain, face, pocket)]
    assert best[2] < best[0]
    late = [shop.until("t-1", State.READY, 24) for shop in (plain, face, pocket)]
    assert late[2] > late[0]


def test_the_same_finger_twice_is_no_second_witness() -> None:
    once, often, later = Shop(), Shop(), Shop()
    for shop, times in ((once, 1), (often, 5), (later, 1)):
        shop.run(0.2)
        shop.dip("t-1", "middle")
        shop.run(0.5)
        for _ in range(times):
            shop.felt("t-1", "dry")
        shop.run(0.6)
    assert often.tree("t-1").dryness == once.tree("t-1").dryness
    later.felt("t-1", "dry")
    assert later.tree("t-1").dryness.best > once.tree("t-1").dryness.best


def test_touch_is_weak_evidence_and_never_a_truth() -> None:
    plain, told = Shop(), Shop()
    for shop in (plain, told):
        shop.run(0.2)
        shop.dip("t-1", "middle")
        shop.run(0.9)
    for _ in range(10):
        told.felt("t-1", "dry")
    assert told.tree("t-1").state is State.DRYING
    assert told.tree("t-1").dryness.best >= plain.tree("t-1").dryness.best
    ready = plain.until("t-1", State.READY)
    assert told.until("t-1", State.READY) > ready - 0.75
    wet = Shop()
    wet.run(0.2)
    wet.dip("t-1", "middle")
    wet.run(0.9)
    for _ in range(3):
        wet.felt("t-1", "wet")
    assert wet.until("t-1", State.READY) >= ready - 1 / 60


def test_a_coat_without_a_model_of_its_own_goes_by_its_familys_starting_model() -> None:
    packaged = load_models(None)
    shop = Shop(models=packaged)
    shop.run(0.2)
    first = shop.dip("t-1", "middle")
    assert "middle" not in packaged
    assert first.state is State.DRYING
    assert "starting-model" in codes(first)
    assert "coat-unknown" in codes(Shop(models={}).dip("t-1", "middle"))
