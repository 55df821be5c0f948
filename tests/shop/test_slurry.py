"""Tanks of slurry: what their log says of them now, and what the plan tells whoever dips next."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from drymon.shop.facts.events import Dip, SlurryCheck, SlurryUndo, TankEvent
from drymon.shop.facts.outcome import DayPlan, State
from drymon.shop.facts.setup import RoomSetup, Tank
from drymon.shop.facts.slurry import TankNow, tank_of, tanks_of
from drymon.shop.facts.standing import entry_of
from drymon.shop.plan.tank_notes import noted, tank_note
from tests.shop.invented_shop import MODELS, SETUP, Shop

NOON = datetime(2031, 3, 3, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)
TANK = Tank(
    "tank-1",
    ("middle", "backup"),
    cup="iso-2431-4",
    seconds=(28.0, 34.0),
    temperature=(20.0, 24.0),
    density=(1.78, 1.86),
    ph=(8.5, 9.5),
)
ROOM = RoomSetup("shop", tanks=(TANK,))


def check(hours: float = 0.0, slurry: str = "tank-1", **said: object) -> SlurryCheck:
    when = NOON + hours * HOUR
    return SlurryCheck(time=when, arrived=when, place=hours, slurry=slurry, **said)  # type: ignore[arg-type]


def undo(hours: float, entry: str = "") -> SlurryUndo:
    when = NOON + hours * HOUR
    return SlurryUndo(time=when, arrived=when, place=hours, slurry="tank-1", entry=entry)


def now(*events: TankEvent, name: str = "tank-1", room: RoomSetup = ROOM) -> TankNow:
    return tank_of(room, name, events)


def words(tank: TankNow) -> list[str]:
    return [value.words for value in tank.values]


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"seconds": 27.9}, "27.9 s, thinner than 28 to 34 s"),
        ({"seconds": 28.0}, "28 s"),
        ({"seconds": 34.0}, "34 s"),
        ({"seconds": 34.1}, "34.1 s, thicker than 28 to 34 s"),
        ({"temperature": 19.5}, "19.5 °C, colder than 20 to 24 °C"),
        ({"temperature": 24.5}, "24.5 °C, warmer than 20 to 24 °C"),
        ({"density": 1.7}, "1.7 kg/L, lighter than 1.78 to 1.86 kg/L"),
        ({"density": 1.9}, "1.9 kg/L, heavier than 1.78 to 1.86 kg/L"),
        ({"ph": 8.4}, "pH 8.4, below 8.5 to 9.5"),
        ({"ph": 9.6}, "pH 9.6, above 8.5 to 9.5"),
    ],
)
def test_a_value_is_held_against_its_band(said, told) -> None:
    tank = now(check(**said))
    assert words(tank) == [told]
    assert bool(tank.out_of_band) == ("than" in told or "below" in told or "above" in told)


def test_each_value_is_the_newest_that_was_measured() -> None:
    tank = now(check(0, seconds=32, ph=9.0), check(3, seconds=30), check(2, seconds=36))
    assert words(tank) == ["30 s", "pH 9"]
    assert tank.checked == NOON + 3 * HOUR


def test_a_new_filling_has_nothing_of_the_old_one() -> None:
    tank = now(check(0, ph=9.0, seconds=40), check(5, fresh=True, seconds=31), check(6, temperature=22))
    assert words(tank) == ["31 s", "22 °C"]


def test_what_is_taken_back_was_never_said() -> None:
    wrong = [check(0, seconds=32), check(1, seconds=3.2), undo(2)]
    assert words(now(*wrong)) == ["32 s"]
    named = [check(0, seconds=3.2, id="a"), check(1, ph=9.0), undo(2, entry="a")]
    assert words(now(*named)) == ["pH 9"]
    nameless = [check(0, seconds=3.2), check(1, ph=9.0)]
    assert words(now(*nameless, undo(2, entry=entry_of(nameless[0])))) == ["pH 9"]
    assert words(now(check(0, seconds=32), undo(1))) == []


def test_a_check_counts_for_a_day() -> None:
    tank = now(check(0, seconds=32))
    assert not tank.is_due(NOON + 24 * HOUR)
    assert tank.is_due(NOON + 24 * HOUR + timedelta(minutes=1))
    assert now().is_due(NOON)
    assert now(check(0, water_added=0.2)).is_due(NOON)


def test_water_puts_the_cup_s_word_out_of_force_until_the_next() -> None:
    added = now(check(0, seconds=36), check(1, water_added=0.3))
    assert added.watered == NOON + HOUR
    assert now(check(0, seconds=36), check(1, water_added=0.3), check(2, seconds=31)).watered is None
    assert now(check(1, water_added=0.3, seconds=31)).watered is None
    assert now(check(0, seconds=36), check(1, water_added=0.0)).watered is None
    again = now(check(0, water_added=0.3), check(1, seconds=31), check(2, water_added=0.3))
    assert again.watered == NOON + 2 * HOUR


def test_when_it_was_stirred_is_told_of_itself() -> None:
    assert now(check(0, seconds=32), check(3, stirred=True), check(4, ph=9.0)).stirred == NOON + 3 * HOUR


def test_seconds_of_another_cup_are_not_those_of_the_band() -> None:
    tank = now(check(0, seconds=12, cup="astm-d4212-z4"))
    assert words(tank) == ["12 s"]
    assert tank.out_of_band == []
    assert tank.tank.cup == "astm-d4212-z4"


def test_a_tank_that_room_toml_does_not_have_goes_by_what_is_said_of_it() -> None:
    found = tanks_of(ROOM, [check(0, slurry="tub", coats=("seal",), seconds=20)])
    assert [(one.tank.name, one.tank.coats) for one in found] == [("tank-1", TANK.coats), ("tub", ("seal",))]
    taken = [check(0, slurry="tub", seconds=20), replace(undo(1), slurry="tub")]
    assert [one.tank.name for one in tanks_of(ROOM, taken)] == ["tank-1"]


@pytest.mark.parametrize(
    ("events", "coat", "note"),
    [
        ([], "backup", "slurry tank-1 has not been checked: check it first"),
        ([check(23, seconds=32)], "backup", ""),
        ([], "prime", ""),
        ([check(-1, seconds=32)], "middle", "slurry tank-1 was last checked Mon 11:00: check it first"),
        ([check(23, seconds=27)], "backup", "slurry tank-1 is out of band: 27 s, thinner than 28 to 34 s"),
        (
            [check(20, seconds=36), check(23, water_added=0.4)],
            "backup",
            "slurry tank-1 is out of band: 36 s, thicker than 28 to 34 s",
        ),
        (
            [check(20, seconds=34), check(23, water_added=0.4)],
            "backup",
            "slurry tank-1 got water 11:00 and no cup since",
        ),
    ],
)
def test_what_is_told_before_a_dip(events, coat, note) -> None:
    told = tank_note(tanks_of(ROOM, events), coat, NOON + 24 * HOUR, "UTC")
    assert told.startswith(note)
    assert bool(told) == bool(note)


def test_a_dip_that_names_its_tank_is_told_of_that_one() -> None:
    two = replace(ROOM, tanks=(TANK, replace(TANK, name="tank-2")))
    tanks = tanks_of(two, [check(0, seconds=32)])
    assert tank_note(tanks, "backup", NOON, "UTC") == "slurry tank-2 has not been checked: check it first"
    assert tank_note(tanks, "backup", NOON, "UTC", "tank-1") == ""


def test_a_name_of_an_entry_on_record_stays_when_dips_learn_to_say_their_tank() -> None:
    dip = Dip(time=NOON, arrived=NOON, tree="t-7", rack="rack-a", coat="backup", number=4)
    assert entry_of(dip) == "20310303T120000.000000Z-c44f6a76"
    assert entry_of(replace(dip, slurry="tank-1")) != entry_of(dip)


def test_without_tanks_the_plan_is_as_it_is() -> None:
    plan = DayPlan(NOON, NOON + HOUR, (), (), (), {})
    assert noted(plan, replace(ROOM, tanks=()), [], UTC) is plan


# In the room


def shop() -> Shop:
    short = tuple(recipe for recipe in SETUP.recipes if recipe.name == "short")
    made = Shop(replace(SETUP, recipes=short, tanks=(replace(TANK, coats=("middle",)),)), MODELS)
    made.run(1.5)
    made.dip("t-1", "prime")
    made.run(0.1)
    return made


def notes(made: Shop) -> list[str]:
    plan = [said for said in made.said if isinstance(said, DayPlan)][-1]
    return [dip.note for dip in (*plan.now, *plan.next) if dip.coat == "middle"]


def test_the_plan_tells_of_the_tank_at_once_and_a_check_ends_it() -> None:
    made = shop()
    assert notes(made) == ["slurry tank-1 has not been checked: check it first"]
    made.tell(SlurryCheck(time=made.now, arrived=made.now, slurry="tank-1", seconds=36.0))
    made.run(0.05)
    assert notes(made) == ["slurry tank-1 is out of band: 36 s, thicker than 28 to 34 s"]
    made.tell(SlurryUndo(time=made.now, arrived=made.now, slurry="tank-1"))
    made.run(0.05)
    assert notes(made) == ["slurry tank-1 has not been checked: check it first"]
    made.tell(SlurryCheck(time=made.now, arrived=made.now, slurry="tank-1", seconds=31.0))
    made.run(0.05)
    assert notes(made) == [""]


def test_a_tank_s_note_keeps_no_tree_from_what_can_be_dipped_now() -> None:
    made = shop()
    made.until("t-1", State.READY)
    plan = [said for said in made.said if isinstance(said, DayPlan)][-1]
    assert [(dip.tree, dip.note) for dip in plan.now] == [
        ("t-1", "slurry tank-1 has not been checked: check it first"),
    ]


def test_a_check_says_nothing_of_a_tree() -> None:
    made = shop()
    before = made.tree("t-1")
    made.tell(SlurryCheck(time=made.now, arrived=made.now, slurry="tank-1", seconds=31.0))
    assert "tank-1" not in made.room.logs
    assert made.tree("t-1") == before
