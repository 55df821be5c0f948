"""What is said of a tank over the broker: parsed, refused with what is allowed, taken back."""

import json

import pytest

from drymon.errors import RefusedMessage
from drymon.messages.config import parse_home
from drymon.messages.parse import Parsed, Parser
from drymon.shop.facts.events import Dip, SlurryCheck, SlurryUndo
from tests.messages.conftest import NOON, ROOM

TANK = '[[slurry]]\nname = "tank-1"\ncoats = ["backup"]\n'


@pytest.fixture
def said(heard, tmp_path):
    """What a log event tells a room with one tank."""
    parser = Parser(parse_home(ROOM + TANK, tmp_path))

    def parse(event: str, **content: object) -> Parsed:
        return parser.parse(heard(f"drymon/shop/log/{event}", json.dumps(content)))

    return parse


def test_a_whole_check_is_understood(said) -> None:
    parsed = said(
        "slurry", slurry="tank-1", coats=["backup"], cup="iso-2431-4", seconds=32, temperature=22.5, density=1.82,
        ph=9.1, water_added=0.2, stirred=True, fresh=True, note="new drum", by="kim", id="s-1",
        time="2031-03-03T11:00:00Z",
    )  # fmt: skip
    (check,) = parsed.items
    assert isinstance(check, SlurryCheck)
    assert (check.slurry, check.coats, check.cup, check.seconds) == ("tank-1", ("backup",), "iso-2431-4", 32)
    assert (check.temperature, check.density, check.ph, check.water_added) == (22.5, 1.82, 9.1, 0.2)
    assert (check.stirred, check.fresh, check.note, check.by, check.id) == (True, True, "new drum", "kim", "s-1")
    assert (check.time.hour, check.arrived) == (11, NOON)
    assert parsed.refusals == ()


def test_what_is_not_said_is_not_known(said) -> None:
    (check,) = said("slurry", slurry="tank-1", seconds=32).items
    assert check == SlurryCheck(time=NOON, arrived=NOON, slurry="tank-1", seconds=32.0)
    assert {check.cup, check.temperature, check.density, check.ph, check.water_added} == {None}


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ({"slurry": "tank-1"}, "slurry: received nothing of the tank; allowed is at least one of seconds, "),
        ({"seconds": 30}, "slurry: is missing; it is required"),
        ({"slurry": "tank-1", "seconds": 0}, "seconds: received 0; allowed is above 0, at most 600"),
        ({"slurry": "tank-1", "seconds": "32"}, 'seconds: received "32"; allowed is a number'),
        ({"slurry": "tank-1", "ph": 14.1}, "ph: received 14.1; allowed is 0 to 14"),
        ({"slurry": "tank-1", "density": 1820}, "density: received 1820; allowed is 0.9 to 6"),
        ({"slurry": "tank-1", "temperature": 72}, "temperature: received 72; allowed is -10 to 60"),
        ({"slurry": "tank-1", "water_added": -1}, "water_added: received -1; allowed is 0 to 2000"),
        ({"slurry": "tank-1", "cup": "iso-4"}, 'cup: received "iso-4"; allowed is a cup of iso-2431-3, '),
        ({"slurry": "tank-1", "secs": 30}, 'secs: received the unknown key "secs"; allowed here are '),
    ],
)
def test_a_wrong_check_is_refused_with_what_is_allowed(said, content, told) -> None:
    with pytest.raises(RefusedMessage) as caught:
        said("slurry", **content)
    assert told in str(caught.value)


def test_a_tank_that_is_not_there_is_a_fact_all_the_same(said) -> None:
    strange = said("slurry", slurry="tank-7", seconds=30)
    assert [check.slurry for check in strange.items] == ["tank-7"]
    assert 'slurry: received "tank-7"; in room.toml are tank-1: the slurry is recorded' in strange.refusals[0]
    of_itself = said("slurry", slurry="tank-7", coats=["backup"], seconds=30)
    assert of_itself.refusals == ()


def test_a_dip_may_say_its_tank(said) -> None:
    (dip,) = said("dip", tree="t-7", rack="rack-a", coat="backup", slurry="tank-1").items
    assert isinstance(dip, Dip)
    assert dip.slurry == "tank-1"
    strange = said("dip", tree="t-7", rack="rack-a", coat="backup", slurry="tank-2")
    assert len(strange.items) == 1
    assert 'slurry: received "tank-2"; in room.toml are tank-1: the dip is recorded' in strange.refusals[0]


def test_what_was_said_of_a_tank_is_taken_back_by_undo(said) -> None:
    assert said("undo", slurry="tank-1").items == (SlurryUndo(time=NOON, arrived=NOON, slurry="tank-1"),)
    assert said("undo", slurry="tank-7").refusals == ()
    (named,) = said("undo", slurry="tank-1", entry="s-1").items
    assert named.entry == "s-1"


@pytest.mark.parametrize(
    ("content", "received"),
    [({}, "neither tree nor slurry"), ({"tree": "t-7", "slurry": "tank-1"}, "tree and slurry")],
)
def test_an_undo_is_of_a_tree_or_of_a_tank(said, content, received) -> None:
    with pytest.raises(RefusedMessage, match=f"undo: received {received}; allowed is one of them"):
        said("undo", **content)
