"""A tank in words: what it needs, said to whoever stands before it."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drymon.drying.open_tank import Loss
from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.readback.tank_air import water_loss
from drymon.shop.facts.events import SlurryCheck
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.setup import Rack, RoomSetup, Tank
from drymon.shop.facts.slurry import TankNow
from drymon.store import Store
from drymon.views.tank_words import TankView, litres, tank_view

NOON = datetime(2031, 3, 3, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)
TANK = Tank(
    "tank-1", ("backup",), "Backup tank", "iso-2431-4", (28.0, 34.0), (20.0, 24.0), (1.78, 1.86), (8.5, 9.5), 0.5
)
LOSS = Loss(0.6, 1.2, 2.4)


def view(at: datetime = NOON, loss: Loss | None = LOSS, **said: object) -> TankView:
    check = SlurryCheck(time=NOON, arrived=NOON, slurry="tank-1", by="kim", **said)  # type: ignore[arg-type]
    return tank_view(TankNow(TANK, (check,)), loss, at, "UTC")


@pytest.mark.parametrize(
    ("said", "hours", "state", "todo"),
    [
        ({"seconds": 31}, 1, "in band", "nothing to do"),
        ({"seconds": 31}, 25, "check due", "about 1.2 L has gone off since: stir it and check it with the cup"),
        ({"seconds": 36}, 6, "out of band", "too thick: add about 0.3 L, stir, then check with the cup"),
        ({"seconds": 36}, 0.5, "out of band", "too thick: add a little water, stir, then check with the cup"),
        ({"seconds": 26}, 6, "out of band", "too thin: add no water; add flour as its supplier says, stir, then check"),
        ({"seconds": 36, "temperature": 18}, 6, "out of band", "bring it to 20 to 24 °C first: a cup compares only at"),
        ({"density": 1.9}, 1, "out of band", "too heavy: see what the cup says before water or flour goes in"),
        ({"density": 1.7}, 1, "out of band", "too light: see what the cup says"),
        (
            {"ph": 8.0},
            1,
            "out of band",
            "pH is off, the binder may be gelling: ask its supplier before anything",
        ),
        ({"water_added": 0.3}, 1, "never checked", "stir it and check it with the cup"),
    ],
)
def test_what_is_to_be_done(said, hours, state, todo) -> None:
    told = view(NOON + hours * HOUR, **said)
    assert told.state == state
    assert told.todo.startswith(todo)
    assert told.good == (state == "in band")


def test_a_tank_without_bands_is_checked_and_in_none() -> None:
    check = SlurryCheck(time=NOON, arrived=NOON, slurry="tub", seconds=31)
    told = tank_view(TankNow(Tank("tub", ("backup",)), (check,)), None, NOON, "UTC")
    assert (told.state, told.todo, told.good) == ("checked", "nothing to do", True)


def test_water_since_the_last_cup_asks_for_the_cup() -> None:
    checks = (
        SlurryCheck(time=NOON - HOUR, arrived=NOON, slurry="tank-1", seconds=33),
        SlurryCheck(time=NOON, arrived=NOON, slurry="tank-1", water_added=0.3),
    )
    told = tank_view(TankNow(TANK, checks), LOSS, NOON + HOUR, "UTC")
    assert told.state == "check due"
    assert told.todo == "water was added since the last cup: stir, then check it with the cup"


def test_the_last_check_is_told_with_its_age_and_whose_it_is() -> None:
    told = view(NOON + 3 * HOUR, seconds=31, stirred=True)
    assert told.checked == "checked 12:00 (3 h ago) by kim; stirred 12:00"
    assert told.values == ["31 s"]
    assert told.bands == ["cup 28 to 34 s", "temperature 20 to 24 °C", "density 1.78 to 1.86 kg/L", "pH 8.5 to 9.5"]
    assert told.water == "about 1.2 L of water a day goes off at the last day's air (0.6 to 2.4 L): an estimate"


def test_a_viscosity_is_told_only_where_the_standard_has_one() -> None:
    assert view(seconds=31).viscosity.startswith("iso-2431-4: as a liquid of 36 mm²/s; a cup compares a slurry with it")
    none = "no viscosity from 28 s: the formula of iso-2431-4 holds for 30 to 100 s (ISO 2431)"
    assert view(seconds=28).viscosity == none
    assert view(ph=9.0).viscosity == ""


@pytest.mark.parametrize(("amount", "told"), [(0.26, "0.3 L"), (9.9, "9.9 L"), (11.6, "12 L")])
def test_an_estimate_has_no_more_digits_than_it_knows(amount: float, told: str) -> None:
    assert litres(amount) == told


@pytest.fixture
def aired(tmp_path: Path) -> Store:
    """A record of a day at 22 degC and 50 %RH at the rack, and nothing elsewhere."""
    store = Store.open(tmp_path / "drymon.db")
    for half_hour in range(48, -1, -1):
        at = NOON - half_hour * HOUR / 2
        items = [
            Reading(time=at, arrived=at, place="rack-a", quantity=quantity, value=value)
            for quantity, value in ((Quantity.TEMPERATURE, 22.0), (Quantity.HUMIDITY, 50.0))
        ]
        store.record(Message(at, "drymon/shop/rack-a/senml", b"[]"), items)
    return store


def test_the_air_of_the_last_day_tells_what_goes_off(aired: Store) -> None:
    room = RoomSetup("shop", racks=(Rack("rack-a"),), tanks=(TANK,))
    found = water_loss(aired, room, TankNow(TANK), NOON)
    assert found is not None
    assert found.low < 1.2 < found.high
    warm = TankNow(TANK, (SlurryCheck(time=NOON, arrived=NOON, slurry="tank-1", temperature=26.0),))
    warmer = water_loss(aired, room, warm, NOON)
    assert warmer is not None
    assert warmer.best > 1.2 * found.best
    assert water_loss(aired, room, TankNow(TANK), NOON + 20 * HOUR) is None, "too little of that day is known"
    assert water_loss(aired, room, TankNow(Tank("tub", ())), NOON) is None
    aired.close()
