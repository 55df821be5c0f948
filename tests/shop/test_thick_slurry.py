"""The cup of a tank speaks of the dips made in it: told in time or late, taken back, too old, or of another tank."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from drymon.shop.facts.events import Dip, SlurryCheck, SlurryUndo
from drymon.shop.facts.outcome import DayPlan, State
from drymon.shop.facts.setup import Recipe, Tank
from drymon.shop.facts.tank_log import TankLog
from tests.shop.invented_shop import MODELS, SETUP, Shop
from tests.shop.test_room_order import same_in_substance

TANK = Tank("tank-1", ("middle",), cup="iso-2431-4", seconds=(35.0, 45.0))
OTHER = replace(TANK, name="tank-2", coats=("backup",))
ROOM = replace(SETUP, tanks=(TANK, OTHER))
HOUR = timedelta(hours=1)


def check(time: datetime, slurry: str = "tank-1", **said: object) -> SlurryCheck:
    return SlurryCheck(time=time, arrived=time, slurry=slurry, **said)  # type: ignore[arg-type]


def dip(time: datetime, coat: str = "middle", slurry: str | None = None) -> Dip:
    return Dip(time=time, arrived=time, tree="t-1", rack="rack-a", coat=coat, slurry=slurry)


def hours(shop: Shop) -> float:
    """From the dip until it is likely dry."""
    said = shop.tree("t-1")
    assert said.dry_at.best is not None
    return (said.dry_at.best - said.dipped_at) / HOUR


def dipped(seconds: float | None, room: object = ROOM, **said: object) -> Shop:
    """A middle coat, an hour after the tank's cup took so many seconds."""
    shop = Shop(room, MODELS)  # type: ignore[arg-type]
    shop.run(0.2)
    if seconds is not None:
        shop.tell(check(shop.now, seconds=seconds, **said))
    shop.run(1.0)
    shop.dip("t-1", "middle")
    shop.run(0.1)
    return shop


def test_a_thick_slurry_takes_longer_and_a_thin_one_less() -> None:
    usual, thick, thin = (hours(dipped(seconds)) for seconds in (40.0, 60.0, 30.0))
    assert usual == hours(dipped(None))
    assert 1.1 * usual < thick < 2.0 * usual
    assert thin < 0.95 * usual


def known(*told: object, at: datetime, coat: str = "middle", slurry: str | None = None, room: object = ROOM) -> bool:
    log = TankLog(told)  # type: ignore[arg-type]
    return log.thickness(room, dip(at, coat, slurry)) is not None  # type: ignore[arg-type]


NOON = datetime.fromisoformat("2031-03-03T12:00+00:00")
CUP = check(NOON, seconds=44.0)


def test_which_slurry_a_dip_was_made_in() -> None:
    assert known(CUP, at=NOON + HOUR)
    assert not known(CUP, at=NOON + HOUR, coat="backup")
    assert known(CUP, at=NOON + HOUR, coat="backup", slurry="tank-1")
    assert not known(CUP, at=NOON + HOUR, slurry="tank-2")
    shared = replace(ROOM, tanks=(TANK, replace(OTHER, coats=("middle",))))
    assert not known(CUP, at=NOON + HOUR, room=shared)
    assert known(CUP, at=NOON + HOUR, room=shared, slurry="tank-1")
    assert not known(check(NOON, "tank-9", seconds=44.0), at=NOON + HOUR, slurry="tank-9")


@pytest.mark.parametrize(
    "since",
    [
        check(NOON + HOUR, water_added=0.5),
        check(NOON + HOUR, fresh=True),
        check(NOON + HOUR, cup="iso-2431-6", seconds=44.0),
        SlurryUndo(time=NOON + HOUR, arrived=NOON + HOUR, slurry="tank-1"),
    ],
    ids=["watered", "filled anew", "another cup", "taken back"],
)
def test_what_makes_a_cup_say_nothing_of_a_later_dip(since: object) -> None:
    assert not known(CUP, since, at=NOON + 2 * HOUR)
    if isinstance(since, SlurryCheck):
        assert known(CUP, since, at=NOON + HOUR / 2)


def test_a_cup_counts_for_a_day_and_for_dips_after_it() -> None:
    assert known(CUP, at=NOON)
    assert known(CUP, at=NOON + 24 * HOUR)
    assert not known(CUP, at=NOON + 24.1 * HOUR)
    assert not known(CUP, at=NOON - HOUR / 60)


def test_a_cup_told_after_the_dip_counts_as_if_told_in_time_and_an_undo_as_if_never() -> None:
    late, prompt, never = dipped(None), dipped(60.0), dipped(None)
    measured = late.now - 1.2 * HOUR
    late.tell(replace(check(measured, seconds=60.0), arrived=late.now))
    for shop in (late, prompt, never):
        shop.run(0.1)
    same_in_substance(late.tree("t-1"), prompt.tree("t-1"))
    assert hours(late) == pytest.approx(hours(prompt), rel=0.01)
    assert hours(late) > 1.1 * hours(never)
    late.tell(SlurryUndo(time=late.now, arrived=late.now, slurry="tank-1"))
    for shop in (late, never):
        shop.run(0.1)
    same_in_substance(late.tree("t-1"), never.tree("t-1"))
    assert hours(late) == pytest.approx(hours(never), rel=0.01)


def test_a_cup_told_late_for_the_very_moment_of_the_dip_counts() -> None:
    shop = dipped(None)
    before, at = hours(shop), shop.tree("t-1").dipped_at
    shop.tell(replace(check(at, seconds=60.0), arrived=shop.now))
    shop.run(0.1)
    assert hours(shop) > 1.1 * before


def test_an_earlier_coat_s_slurry_counts_when_it_is_told_after_the_next_dip() -> None:
    """The coat below has left its water; what is on top now was dipped in another tank."""
    late, prompt = dipped(None), dipped(60.0)
    told = check(late.now - 1.2 * HOUR, seconds=60.0)
    for shop in (late, prompt):
        shop.run(0.5)
        shop.dip("t-1", "backup")
        shop.run(0.2)
    assert hours(late) != pytest.approx(hours(prompt), rel=0.003)
    late.tell(replace(told, arrived=late.now))
    for shop in (late, prompt):
        shop.run(0.1)
    same_in_substance(late.tree("t-1"), prompt.tree("t-1"))
    assert hours(late) == pytest.approx(hours(prompt), rel=0.005)  # told at two moments, in steps of 20 s


def test_a_check_after_the_dip_leaves_what_was_folded_alone() -> None:
    shop = dipped(44.0)
    before = [log.newest() for log in shop.room.logs.values()]
    shop.room.tell([check(shop.now, seconds=60.0)])
    assert [log.newest() for log in shop.room.logs.values()] == before


def told_of_a_dip_now(shop: Shop) -> float:
    """Hours from now until the next coat of the ready tree is likely dry, by the plan."""
    plan = [said for said in shop.said if isinstance(said, DayPlan)][-1]
    (planned,) = plan.now
    assert planned.dry.best is not None
    return (planned.dry.best - planned.at) / HOUR


def test_what_the_plan_tells_of_a_dip_now_goes_by_the_cup_as_its_verdict_does() -> None:
    shop = Shop(replace(ROOM, recipes=(Recipe("two", ("prime", "middle")),)), MODELS)
    shop.run(1.5)
    shop.dip("t-1", "prime", recipe="two")
    shop.until("t-1", State.READY)
    usual = told_of_a_dip_now(shop)
    shop.tell(check(shop.now, seconds=60.0))
    shop.run(0.05)
    thick = told_of_a_dip_now(shop)
    shop.dip("t-1", "middle")
    shop.run(0.1)
    assert thick > 1.15 * usual
    assert hours(shop) == pytest.approx(thick, rel=0.08)
