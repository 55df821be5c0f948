"""Every reason code of the interface: it appears when it should, does what its row says, and goes when its row says."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.setup import RoomSetup
from tests.shop.invented_shop import (
    BEGIN,
    COATS,
    MODELS,
    SETUP,
    STEADY,
    Shop,
    at,
    codes,
    gone,
    model,
    reading,
    text,
)

NO_SPEED = {q: v for q, v in STEADY.items() if q is not Quantity.AIRFLOW}


def starting(**changed: object) -> dict[str, object]:
    return {name: model(name, runs=0, **changed) for name in MODELS}


def test_wet_then_ready_and_nothing_else() -> None:
    shop = Shop()
    shop.run(0.2)
    first = shop.dip("t-1", "middle")
    assert first.state is State.DRYING
    assert codes(first) == {"wet"}
    assert "95 % is needed" in text(first, "wet")
    shop.until("t-1", State.READY)
    assert codes(shop.tree("t-1")) == set()
    assert shop.tree("t-1").safe_to_redip


def test_open_faces_dry_before_the_pocket() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle", shelter="deep")
    shop.dip("t-2", "middle", shelter="open")
    shop.until("t-2", State.READY)
    shop.run(0.3)
    assert shop.tree("t-1").state is State.DRYING
    assert "pocket-wet" in codes(shop.tree("t-1"))
    assert "wet" not in codes(shop.tree("t-1"))
    shop.until("t-1", State.READY)


def test_too_soon_until_the_gel_has_had_its_time() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "timed")
    shop.run(3.9)
    assert shop.tree("t-1").state is State.DRYING
    assert codes(shop.tree("t-1")) == {"too-soon"}
    shop.run(0.2)
    assert shop.tree("t-1").state is State.READY


def test_too_long_holds_until_a_look() -> None:
    shop = Shop()
    dipped = shop.dip("t-1", "timed")
    assert dipped.redip_by == BEGIN + timedelta(hours=6)
    shop.run(6.0)
    assert shop.tree("t-1").state is State.READY
    shop.run(0.1)
    assert shop.tree("t-1").state is State.HOLD
    assert codes(shop.tree("t-1")) == {"too-long"}
    shop.look("t-1")
    assert shop.tree("t-1").state is State.READY
    shop.run(1)
    assert shop.tree("t-1").state is State.READY  # released for this coat
    shop.dip("t-1", "timed")
    shop.run(6.2)
    assert "too-long" in codes(shop.tree("t-1"))  # and for this coat only


def test_too_fast_holds_until_a_look_and_one_gust_does_not() -> None:
    shop = Shop()
    shop.run(0.2, {**STEADY, Quantity.HUMIDITY: 60.0, Quantity.AIRFLOW: 0.1})
    shop.dip("t-1", "gentle")
    gust = {**STEADY, Quantity.HUMIDITY: 30.0, Quantity.AIRFLOW: 4.0}
    shop.run(2 / 60, gust)
    calm = {**STEADY, Quantity.HUMIDITY: 80.0, Quantity.AIRFLOW: 0.1}
    shop.run(0.5, calm)
    assert "too-fast" not in codes(shop.tree("t-1"))
    shop.run(0.2, gust)
    assert shop.tree("t-1").state is State.HOLD
    assert "too-fast" in codes(shop.tree("t-1"))
    shop.run(0.5, calm)
    assert "too-fast" in codes(shop.tree("t-1"))  # it has happened: calm air does not undo it
    shop.look("t-1")
    assert shop.tree("t-1").state is State.DRYING
    shop.run(0.2, gust)
    assert "too-fast" not in codes(shop.tree("t-1"))  # released for this coat


def test_log_events_do_not_make_a_gust_longer() -> None:
    """Five minutes in a row above the fastest rate count; a minute that events cut in pieces is still one minute."""
    shop = Shop()
    calm = {**STEADY, Quantity.HUMIDITY: 80.0, Quantity.AIRFLOW: 0.1}
    shop.run(0.2, calm)
    shop.dip("t-1", "gentle")
    gust = {**STEADY, Quantity.HUMIDITY: 30.0, Quantity.AIRFLOW: 4.0}
    shop.run(2 / 60, gust)
    begin = shop.now
    shop.room.tell([reading(begin, quantity, value) for quantity, value in gust.items()])
    for second in (11, 23, 31, 42, 51):
        shop.now = begin + timedelta(seconds=second)
        shop.felt("t-1", "wet")
    shop.now = begin + timedelta(minutes=1)
    shop.said += shop.room.advance(shop.now)
    shop.run(0.5, calm)
    assert "too-fast" not in codes(shop.tree("t-1"))


def test_swing_holds_until_a_look() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "steady")
    shop.run(0.5)
    shop.run(0.2, {**STEADY, Quantity.TEMPERATURE: 24.8})
    assert "swing" not in codes(shop.tree("t-1"))
    shop.run(0.2, {**STEADY, Quantity.TEMPERATURE: 25.2})
    assert shop.tree("t-1").state is State.HOLD
    assert "swing" in codes(shop.tree("t-1"))
    shop.look("t-1")
    assert "swing" not in codes(shop.tree("t-1"))
    assert shop.tree("t-1").state is State.DRYING


def test_a_skipped_grade_holds_and_the_next_grade_does_not() -> None:
    """ASTM E11: 80-120 mesh ends at 180 um; 50-80 begins at 180 um, 10-20 begins at 850 um."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "prime")
    shop.until("t-1", State.READY)
    shop.dip("t-1", "middle")
    assert "grade-skipped" not in codes(shop.tree("t-1"))
    shop.dip("t-2", "prime")
    shop.until("t-2", State.READY)
    assert shop.dip("t-2", "coarse").state is State.HOLD
    assert "grade-skipped" in codes(shop.tree("t-2"))
    shop.look("t-2")
    assert codes(shop.tree("t-2")) == {"wet"}


def test_air_unknown_until_it_comes_back() -> None:
    shop = Shop()
    first = shop.dip("t-1", "middle")
    assert first.state is State.UNKNOWN
    assert "air-unknown" in codes(first)
    assert first.dry_at.early is first.dry_at.best is first.dry_at.late is None
    shop.run(0.1)
    assert shop.tree("t-1").state is State.DRYING


def test_air_that_comes_back_is_said_within_seconds() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.run(0.5, air=None)
    assert shop.tree("t-1").state is State.UNKNOWN
    for seconds, quantity in ((7, Quantity.TEMPERATURE), (8, Quantity.HUMIDITY), (16, Quantity.AIRFLOW)):
        stamp = shop.now + timedelta(seconds=seconds)
        shop.said += shop.room.advance(stamp)
        shop.room.tell([reading(stamp, quantity, STEADY[quantity])])
    assert shop.tree("t-1").state is State.DRYING
    assert shop.tree("t-1").time <= shop.now + timedelta(seconds=15)


@pytest.mark.parametrize("missing", [Quantity.TEMPERATURE, Quantity.HUMIDITY])
def test_half_of_the_evidence_is_none(missing: Quantity) -> None:
    shop = Shop()
    shop.run(0.2, {quantity: value for quantity, value in STEADY.items() if quantity is not missing})
    first = shop.dip("t-1", "middle")
    assert first.state is State.UNKNOWN
    assert missing.value in text(first, "air-unknown")
    assert text(first, "wet").endswith("95 % is needed, no telling when")  # no forecast says "never" either


def test_what_is_gone_is_still_told_while_the_air_is_unknown() -> None:
    shop = Shop()
    shop.run(0.2)
    assert "expected" in text(shop.dip("t-1", "middle"), "wet")
    shop.run(0.5, air=None)
    assert text(shop.tree("t-1"), "wet").endswith("95 % is needed, no telling when")
    shop.run(0.1)
    assert "expected" in text(shop.tree("t-1"), "wet")


def test_coat_unknown_is_recorded_and_unknown_until_undone() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.until("t-1", State.READY)
    first = shop.dip("t-1", "gold-leaf")
    assert first.state is State.UNKNOWN
    assert first.coat == "gold-leaf"
    assert "coat-unknown" in codes(first)
    shop.run(6)
    assert shop.tree("t-1").state is State.UNKNOWN
    shop.undo("t-1")
    assert shop.tree("t-1").state is State.READY


@pytest.mark.frozen
def test_what_lies_under_an_unknown_coat_is_not_known_either() -> None:
    """The same tree at the same times in the same air, but for what its first coat was."""
    unknown, known = (second_coat_over(first) for first in ("gold-leaf", "middle"))
    assert (unknown.number, known.number) == (2, 2)
    assert "redipped-early" in codes(unknown)
    assert "buried-water" in codes(unknown)
    assert codes(known) == {"wet"}, "five hours are enough for a coat that is known"
    assert hours_until(unknown.dry_at.best, unknown) > hours_until(known.dry_at.best, known) + 0.1
    assert hours_until(unknown.dry_at.late, unknown) > hours_until(known.dry_at.late, known) + 0.15


def second_coat_over(first: str) -> Verdict:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", first)
    shop.run(5)
    return shop.dip("t-1", "backup")


def hours_until(moment: datetime | None, verdict: Verdict) -> float:
    """From the dip on."""
    assert moment is not None
    return (moment - verdict.dipped_at).total_seconds() / 3600


def test_clock_unknown_while_the_clock_is() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.until("t-1", State.READY)
    shop.clock(known=False)
    shop.run(0.1)
    assert shop.tree("t-1").state is State.UNKNOWN
    assert "clock-unknown" in codes(shop.tree("t-1"))
    shop.clock(known=True)
    shop.run(0.1)
    assert shop.tree("t-1").state is State.READY


@pytest.mark.parametrize("shelter", ["pocketed", "deep"])
def test_an_unlearned_pocket_waits_for_a_look_and_only_once_dry(shelter: str) -> None:
    shop = Shop(models=starting())
    shop.run(0.2)
    shop.dip("t-1", "middle", shelter=shelter)
    shop.look("t-1")  # a look at a wet tree releases nothing that does not hold yet
    assert "pocket-unlearned" not in codes(shop.tree("t-1"))
    shop.until("t-1", State.HOLD, 240)
    assert "pocket-unlearned" in codes(shop.tree("t-1"))
    assert "wet" not in codes(shop.tree("t-1"))
    assert not shop.tree("t-1").safe_to_redip
    shop.look("t-1")
    assert shop.tree("t-1").state is State.READY


def test_an_unlearned_tail_waits_for_a_look() -> None:
    shop = Shop(models={**MODELS, "middle": model("middle", tail_learned=False)})
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.until("t-1", State.HOLD)
    assert codes(shop.tree("t-1")) == {"tail-unlearned"}
    shop.look("t-1")
    assert shop.tree("t-1").state is State.READY


def test_a_model_that_its_runs_contradict_waits_for_a_look_and_is_told() -> None:
    doubted = model("middle", doubt="the fitted curve misses 5 of 6 weighed runs")
    shop = Shop(models={**MODELS, "middle": doubted})
    shop.run(0.2)
    shop.dip("t-1", "middle")
    assert "model-doubt" not in codes(shop.tree("t-1"))
    shop.until("t-1", State.HOLD)
    assert codes(shop.tree("t-1")) == {"model-doubt"}
    assert "misses 5 of 6" in text(shop.tree("t-1"), "model-doubt")
    shop.look("t-1")
    assert shop.tree("t-1").state is State.READY


def test_repaired_releases_like_sound_and_scrap_takes_the_tree_away() -> None:
    shop = Shop(models={**MODELS, "middle": model("middle", tail_learned=False)})
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.dip("t-2", "middle")
    for tree in ("t-1", "t-2"):
        if shop.tree(tree).state is not State.HOLD:
            shop.until(tree, State.HOLD)
    shop.look("t-1", "repaired")
    assert shop.tree("t-1").state is State.READY
    assert len(gone(shop.look("t-2", "scrap"))) == 1
    assert "t-2" not in shop.room.standing().trees
    assert "t-2" not in shop.rack("rack-a").trees


def test_one_cheap_sensor_and_nothing_else_gives_ready_safely_late_and_labelled() -> None:
    """A shop with temperature and humidity only: open trees get ready, later than with the speed known to be
    middling."""
    cheap, known = Shop(models=starting()), Shop(models=starting())
    for shop, air in ((cheap, NO_SPEED), (known, STEADY)):
        shop.run(0.2, air)
        shop.dip("t-1", "middle")
        shop.until("t-1", State.READY, 100, air)
    assert codes(cheap.tree("t-1")) >= {"starting-model", "airflow-assumed"}
    assert "0.3 and 2" in text(cheap.tree("t-1"), "airflow-assumed")
    assert "airflow-assumed" not in codes(known.tree("t-1"))
    assert cheap.now > known.now


def test_outside_experience_is_said_and_makes_it_later() -> None:
    narrow = {**MODELS, "middle": model("middle", seen={"humidity_pct": (50, 60)})}
    inside, outside = Shop(), Shop(models=narrow)
    for shop in (inside, outside):
        shop.run(0.2)
        shop.dip("t-1", "middle")
        shop.until("t-1", State.READY)
    assert "outside-experience" in codes(outside.tree("t-1"))
    assert "outside-experience" not in codes(inside.tree("t-1"))
    assert outside.now > inside.now


def test_redipped_early_keeps_the_verdict_and_carries_the_water() -> None:
    early, late = Shop(), Shop()
    for shop in (early, late):
        shop.run(0.2)
        shop.dip("t-1", "middle")
    early.run(0.3)
    late.until("t-1", State.READY)
    begun = {}
    for name, shop in (("early", early), ("late", late)):
        first = shop.dip("t-1", "backup")
        begun[name] = (shop.now, first)
    assert "redipped-early" in codes(begun["early"][1])
    assert "drying" in text(begun["early"][1], "redipped-early")
    assert "buried-water" in codes(begun["early"][1])
    assert {"redipped-early", "buried-water"}.isdisjoint(codes(begun["late"][1]))
    hours = {}
    for name, shop in (("early", early), ("late", late)):
        shop.until("t-1", State.READY)
        hours[name] = (shop.now - begun[name][0]).total_seconds() / 3600
    assert hours["early"] > hours["late"] + 0.1
    assert "redipped-early" in codes(early.tree("t-1"))  # it explains this coat to its end
    assert "redipped-early" not in codes(late.tree("t-1"))


def test_a_dip_at_the_very_minute_of_ready_is_not_early() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.until("t-1", State.READY)
    assert "redipped-early" not in codes(shop.dip("t-1", "backup"))
    shop.run(0.2)
    assert "redipped-early" not in codes(shop.tree("t-1"))


def test_a_dip_on_hold_is_early_too() -> None:
    shop = Shop()
    shop.dip("t-1", "timed")
    shop.run(6.5)
    assert shop.tree("t-1").state is State.HOLD
    assert "hold" in text(shop.dip("t-1", "backup"), "redipped-early")


@pytest.mark.frozen
def test_buried_water_of_a_shell_begun_elsewhere_widens() -> None:
    """A fifth coat of the same kind over four that nobody saw, and over four that were each ready."""
    shop = Shop()
    shop.run(0.2)
    begun = shop.dip("t-1", "middle", number=5)
    assert begun.number == 5
    assert "begun elsewhere" in text(begun, "buried-water")
    assert "redipped-early" not in codes(begun)
    shop.until("t-1", State.READY)
    for _ in range(4):
        shop.dip("t-2", "middle")
        shop.until("t-2", State.READY)
    known = shop.dip("t-2", "middle")
    assert known.number == 5
    assert codes(known) == {"wet"}
    assert hours_until(begun.dry_at.best, begun) > hours_until(known.dry_at.best, known) + 0.1
    assert hours_until(begun.dry_at.late, begun) > hours_until(known.dry_at.late, known) + 0.25


@pytest.mark.parametrize("humidity", [97.0, 99.5])
def test_air_too_damp_says_which_humidity_would_do(humidity: float) -> None:
    shop = Shop(models=starting())
    damp = {**STEADY, Quantity.HUMIDITY: humidity}
    shop.run(0.5, damp)
    shop.dip("t-1", "middle")
    shop.run(2, damp)
    verdict = shop.tree("t-1")
    assert verdict.state is State.DRYING
    assert "air-too-damp" in codes(verdict)
    would_do = float(text(verdict, "air-too-damp").split(";")[1].split("%")[0])
    assert 30 <= would_do < humidity
    shop.run(12, {**STEADY, Quantity.HUMIDITY: would_do})
    assert shop.tree("t-1").state is State.READY  # and it does
    assert "air-too-damp" not in codes(shop.tree("t-1"))


def test_no_path_within_fourteen_days_is_told_by_null() -> None:
    shop = Shop()
    soaked = {**STEADY, Quantity.HUMIDITY: 100.0}
    shop.run(0.5, soaked)
    verdict = shop.dip("t-1", "middle")
    assert verdict.state is State.DRYING
    assert verdict.dry_at.best is None
    assert verdict.dry_at.late is None
    assert "14 days" in text(verdict, "wet")


def test_dryness_reverses_in_damp_air_and_ready_is_taken_back() -> None:
    thirsty = {name: model(name, parameters={**one.parameters, "sorption": replace(one.parameters["sorption"],
               centre=0.06)}) for name, one in MODELS.items()}  # fmt: skip
    shop = Shop(models=thirsty)
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.until("t-1", State.READY)
    shop.run(8, {**STEADY, Quantity.HUMIDITY: 92.0})
    assert shop.tree("t-1").state is State.DRYING
    assert "wet" in codes(shop.tree("t-1"))


def test_the_strongest_effect_decides() -> None:
    """Unknown before hold before drying."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "prime")
    shop.until("t-1", State.READY)
    shop.dip("t-1", "coarse")
    assert {"grade-skipped", "wet"} <= codes(shop.tree("t-1"))
    assert shop.tree("t-1").state is State.HOLD
    shop.run(0.3, None)
    assert "grade-skipped" in codes(shop.tree("t-1"))
    assert shop.tree("t-1").state is State.UNKNOWN


def test_a_room_without_recipes_and_limits_still_judges() -> None:
    """Only names and families are required of a room."""
    shop = Shop(RoomSetup(name="shop", racks=SETUP.racks, coats=(COATS[-1],)))
    shop.run(0.2)
    first = shop.dip("t-1", "rough")
    assert first.redip_by is None
    assert first.next_coat is None
    shop.until("t-1", State.READY)
    assert at(0) < shop.now


def test_one_look_answers_all_that_holds_a_dry_pocketed_tree() -> None:
    shop = Shop(models=starting())
    shop.run(0.2)
    shop.dip("t-1", "timed", shelter="pocketed")
    shop.until("t-1", State.HOLD)
    shop.run(8)
    assert {"too-long", "pocket-unlearned"} <= codes(shop.tree("t-1"))
    shop.look("t-1")
    assert shop.tree("t-1").state is State.READY


def test_air_that_comes_within_the_minute_of_a_blind_dip_gives_times_at_once() -> None:
    shop = Shop()
    shop.run(0.1, air=None)
    assert shop.dip("t-1", "middle").state is State.UNKNOWN
    for seconds, quantity in enumerate(NO_SPEED, 5):
        stamp = shop.now + timedelta(seconds=seconds)
        shop.said += shop.room.advance(stamp)
        shop.room.tell([reading(stamp, quantity, NO_SPEED[quantity])])
    shop.now += timedelta(seconds=12)
    second = shop.dip("t-2", "middle")
    assert second.state is State.DRYING
    assert second.dry_at.best is not None


def test_the_first_verdict_says_that_the_air_speed_is_assumed() -> None:
    shop = Shop()
    shop.run(0.2, NO_SPEED)
    assert "airflow-assumed" in codes(shop.dip("t-1", "middle"))
    assert "airflow-assumed" not in codes(shop.dip("t-2", "middle", rack="rack-c"))  # nothing at all is known there


def test_too_fast_tells_the_fastest_rate() -> None:
    shop = Shop()
    shop.run(0.2, {**STEADY, Quantity.AIRFLOW: 4.0})
    shop.dip("t-1", "gentle")
    shop.until("t-1", State.HOLD, air={**STEADY, Quantity.AIRFLOW: 4.0})
    told = {text(said, "too-fast") for said in shop.verdicts("t-1") if "too-fast" in codes(said)}
    shop.run(2)
    rate = float(text(shop.tree("t-1"), "too-fast").split()[3])
    assert rate >= max(float(one.split()[3]) for one in told) > 60.0
