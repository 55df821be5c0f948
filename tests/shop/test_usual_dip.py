"""Which model a coat goes by where the shop has said how long it usually waits, and what the wait is compared with."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from drymon.drying import usual_wait
from drymon.drying.coat_model import CoatModel
from drymon.shop.facts.outcome import State
from drymon.shop.facts.setup import Band, CoatType, Rack, Recipe, RoomSetup
from drymon.shop.tree.starting import model_of, start_of
from drymon.shop.tree.usual_dip import middle_number, usual_dip
from tests.shop.invented_shop import MODELS, SETUP, Shop, model

START = model("rough", runs=0)
ROUGH = CoatType("rough", "backup", usual_wait_h=2.0)
WIDE = replace(START, parameters={name: replace(one, sd=1.5 * one.sd) for name, one in START.parameters.items()})


def room(kind: CoatType, **changed: object) -> RoomSetup:
    """The invented room with this coat in the place of the one of its name."""
    coats = tuple(kind if coat.name == kind.name else coat for coat in SETUP.coats)
    return replace(SETUP, coats=coats, **changed)


def test_a_starting_model_counts_the_wait_and_a_fitted_one_does_not() -> None:
    informed = model_of(ROUGH, {"rough": START}, room(ROUGH))
    assert informed is not None
    assert informed.counted == ("the usual wait of 2 h",)
    assert informed.parameters != START.parameters
    assert informed.is_starting_model
    fitted = model("rough", runs=3)
    assert model_of(ROUGH, {"rough": fitted}, room(ROUGH)) is fitted


def test_without_a_wait_the_model_is_the_very_same() -> None:
    assert model_of(replace(ROUGH, usual_wait_h=None), {"rough": START}, SETUP) is START
    assert start_of(ROUGH, {"rough": START}) is START
    assert model_of(ROUGH, {}, room(ROUGH)) is None


def test_a_coat_without_a_model_of_its_own_counts_its_own_wait_in_its_family_s() -> None:
    kind = CoatType("mine", "backup", usual_wait_h=3.0)
    start = replace(START, name="backup")
    informed = model_of(kind, {"backup": start}, SETUP)
    assert informed is not None
    assert (informed.name, informed.counted) == ("mine", ("the usual wait of 3 h",))
    learnt = model_of(kind, {"backup": model("backup")}, SETUP)
    assert learnt is not None
    assert (learnt.name, learnt.runs, learnt.counted) == ("mine", 0, ("the usual wait of 3 h",))


def test_it_is_made_once_for_each_answer_and_anew_for_another_room_or_model() -> None:
    def of(kind: CoatType = ROUGH, start: CoatModel = START, **changed: object) -> CoatModel | None:
        return model_of(kind, {"rough": start}, room(kind, **changed))

    assert of() is of()
    others = [
        of(replace(ROUGH, usual_wait_h=2.5)),
        of(replace(ROUGH, dry_at=0.9)),
        of(replace(ROUGH, room=Band(humidity_pct=(20.0, 30.0)))),
        of(start=WIDE),
        of(racks=(Rack("rack-a", airflow_assumed=(1.0, 2.0)),)),
        of(edges="thick"),
    ]
    for other in others:
        assert other is not None
        assert other.parameters != of().parameters


def test_the_usual_dip_is_the_middle_of_what_the_room_says() -> None:
    """Standard atmosphere at 1500 m: 845.6 hPa (ICAO Doc 7488, from memory)."""
    kind = replace(ROUGH, dry_at=0.9, room=Band(temperature_c=(20.0, 26.0), humidity_pct=(35.0, 55.0)))
    racks = (Rack("a", airflow_assumed=(0.5, 1.0)), Rack("b", airflow_assumed=(0.2, 0.8)))
    found = usual_dip(kind, room(kind, racks=racks, altitude_m=1500.0, edges="thick"))
    assert (found.temperature_c, found.humidity_pct) == (23.0, 45.0)
    assert (found.slowest, found.fastest) == (0.2, 1.0)
    assert found.left == pytest.approx(0.1)
    assert found.edges == "thick"
    assert found.pressure_pa == pytest.approx(84560.0, rel=1e-3)


def test_where_the_room_says_nothing_it_is_an_ordinary_room() -> None:
    found = usual_dip(ROUGH, RoomSetup(name="shop"))
    assert (found.temperature_c, found.humidity_pct, found.slowest, found.fastest) == (22.0, 50.0, 0.3, 2.0)
    assert found.pressure_pa == pytest.approx(101325.0)


@pytest.mark.parametrize(("family", "number"), [("prime", 1), ("backup", 5), ("seal", 9)])
def test_a_coat_in_no_recipe_has_the_number_of_its_family(family: str, number: int) -> None:
    assert middle_number(CoatType("mine", family), SETUP) == number


def test_a_coat_in_recipes_has_the_middle_of_its_places() -> None:
    recipes = (Recipe("a", ("x", "rough", "rough", "rough")), Recipe("b", ("x", "x", "x", "x", "x", "x", "rough")))
    assert middle_number(ROUGH, replace(SETUP, recipes=recipes)) == 4  # of 2, 3, 4, 7 the upper middle


# --- in the room -----------------------------------------------------------------------------------------------------


def dipped(wait: float | None) -> Shop:
    """A room of which only `rough` goes by a starting model, with an open tree of it, in air that is known."""
    kind = replace(ROUGH, usual_wait_h=wait)
    shop = Shop(room(kind), {**MODELS, "rough": WIDE})
    shop.run(0.2)
    shop.dip("t-1", "rough", number=4, shelter="open")
    return shop


def test_a_tree_is_ready_sooner_where_the_shop_has_said_that_its_coats_are_quick() -> None:
    """It waits less than the model's middle, and was right to."""
    middle = float(np.median(usual_wait.hours_to_dry(WIDE, usual_dip(ROUGH, SETUP))))
    told, untold = dipped(0.8 * middle), dipped(None)
    assert told.until("t-1", State.READY) < 0.95 * untold.until("t-1", State.READY)
    for shop in (told, untold):
        assert "starting-model" in {reason.code for reason in shop.tree("t-1").reasons}


def test_what_it_says_holds_from_the_first_minute_on() -> None:
    late = []
    for wait in (0.5, None):
        shop = dipped(wait)
        shop.run(0.1)
        found = shop.tree("t-1").dry_at.late
        assert found is not None
        late.append((found - shop.now).total_seconds())
    assert late[0] < 0.95 * late[1]


def test_the_wait_of_one_coat_says_nothing_of_another() -> None:
    """The informed room's other coats are as they were."""
    setup = room(ROUGH)
    other = next(coat for coat in setup.coats if coat.name == "coarse")
    assert model_of(other, {**MODELS, "rough": START}, setup) is MODELS["coarse"]
    assert_allclose(
        usual_wait.hours_to_dry(MODELS["coarse"], usual_dip(other, setup), 64),
        usual_wait.hours_to_dry(MODELS["coarse"], usual_dip(other, SETUP), 64),
    )
