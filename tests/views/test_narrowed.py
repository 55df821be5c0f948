"""Hours that a measurement is told in: the same as a tree waits in a room of that very air; and for whom they are."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from math import inf
from pathlib import Path

import pytest

from drymon.drying.conditioned import Evidence
from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.times import parse_time
from drymon.service.pipeline import Pipeline
from drymon.shop.facts.measured import InItsPlace
from drymon.shop.facts.setup import RoomSetup
from drymon.store import Calibration, Store
from drymon.views.by_scale import narrowed
from drymon.views.by_scale.narrowed import OpenTreeWait, PresentAir
from tests.service.random_streams import BEGIN

ROOM = """
[room]
name = "shop"
[[rack]]
name = "rack-a"
[[coat]]
name = "prime-first"
family = "prime"
[[coat]]
name = "backup"
label = "coarse"
family = "backup"
[[coat]]
name = "seal"
family = "seal"
[[coat]]
name = "spare"
family = "prime"
[[recipe]]
name = "standard"
coats = ["prime-first", "backup", "backup", "backup", "backup", "seal"]
"""
MODELS = load_models(None)
AIR = PresentAir(22.0, 50.0, 101_325.0)
CLOTH = Calibration(BEGIN, "rack-a/wet-cloth", "wet-cloth", {"low": 1.5, "high": 2.5})
THIN = Calibration(BEGIN, "backup/pickup", "pickup", {"water": 0.2, "own_sd": 0.1, "shared_sd": 0.1})


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    return tmp_path


@pytest.fixture
def room(home: Path) -> RoomSetup:
    return load_home(home).room


def day(hours: float = 30.0) -> Iterator[Message]:
    """A day of steady air, then a dip."""
    for minute in range(int(hours * 60)):
        moment = BEGIN + timedelta(minutes=minute)
        for quantity, value in (("temperature", AIR.temperature_c), ("humidity", AIR.humidity_pct)):
            yield Message(moment, f"drymon/shop/rack-a/{quantity}", str(value).encode())
    told = {"tree": "t-1", "coat": "backup", "rack": "rack-a", "shelter": "open", "number": 1}
    yield Message(moment, "drymon/shop/log/dip", json.dumps(told).encode())


@pytest.mark.parametrize("calibrations", [[], [CLOTH], [THIN], [CLOTH, THIN]], ids=["none", "cloth", "dip", "both"])
def test_the_hours_are_those_of_a_tree_in_a_room_of_that_air(home: Path, calibrations: list[Calibration]) -> None:
    """The room forecasts minute by minute, with what it does not know of the air to come: the middle within 4 %. The
    bound has 13 of 256 possible coats beyond it, some of them far apart: one rank is up to a tenth of the time.
    """
    with Store.open(home / "drymon.db") as store:
        for one in calibrations:
            store.add_calibration(one)
        pipeline = Pipeline(load_home(home), MODELS, store)
        said = pipeline.batch(day())
        usual = narrowed.usual_coat(pipeline.room.setup, MODELS)
        assert usual is not None
        water = Evidence(0.2, 0.02**0.5) if THIN in calibrations else None
        assumed = (0.3, 2.0)
        place = InItsPlace(assumed, (1.5, 2.5)) if CLOTH in calibrations else assumed
        told = narrowed.wait(replace(usual, number=1), pipeline.room.setup, AIR, place, water)
    tree = json.loads([one.payload for one in said if one.topic.endswith("/out/tree/t-1")][-1])
    waits = [parse_time(tree["dry_at"][end]) - parse_time(tree["dipped_at"]) for end in ("best", "late")]
    hours = [wait / timedelta(hours=1) for wait in waits]
    assert told.best_h == pytest.approx(hours[0], rel=0.04)
    assert told.sure_h == pytest.approx(hours[1], rel=0.2)


def test_the_usual_coat_is_the_one_that_the_recipes_use_most(room: RoomSetup) -> None:
    usual = narrowed.usual_coat(room, MODELS)
    assert usual is not None
    assert (usual.kind.name, usual.number) == ("backup", 4)  # coats 2 to 5: the middle one


def test_a_coat_with_runs_of_its_own_is_left_out(room: RoomSetup) -> None:
    fitted = {"backup": replace(MODELS["backup"], runs=5)}
    usual = narrowed.usual_coat(room, {**MODELS, **fitted})
    assert usual is not None
    assert usual.kind.name == "prime-first"
    assert narrowed.usual_coat(room, {**MODELS, **fitted}, "backup") is None
    assert narrowed.usual_coat(room, {name: replace(one, runs=5) for name, one in MODELS.items()}) is not None
    own = {kind.name: replace(MODELS["backup"], runs=5) for kind in room.coats}
    assert narrowed.usual_coat(room, own) is None


@pytest.mark.parametrize(("coat", "number"), [("spare", 1), ("seal", 6), ("prime-first", 1)])
def test_each_coat_has_the_number_that_it_mostly_has(room: RoomSetup, coat: str, number: int) -> None:
    usual = narrowed.usual_coat(room, MODELS, coat)
    assert usual is not None
    assert usual.number == number


def test_damp_air_has_no_end(room: RoomSetup) -> None:
    usual = narrowed.usual_coat(room, MODELS)
    assert usual is not None
    told = narrowed.wait(usual, room, PresentAir(22.0, 97.0, 101_325.0), (0.3, 2.0))
    assert told.sure_h == inf


def test_the_words_name_the_coat_and_both_waits(room: RoomSetup) -> None:
    usual = narrowed.usual_coat(room, MODELS)
    assert usual is not None
    assert narrowed.words(usual, OpenTreeWait(4.12, 9.81), OpenTreeWait(4.4, inf)) == (
        "an open tree of coarse (coat 4) in this air: likely dry after 4.1 h, sure by 9.8 h; before: likely dry after "
        "4.4 h, not sure within 14 days"
    )
    assert narrowed.words(usual, OpenTreeWait(inf, inf), OpenTreeWait(4.4, 9.0)).endswith(
        "in this air: not dry within 14 days; before: likely dry after 4.4 h, sure by 9.0 h"
    )
