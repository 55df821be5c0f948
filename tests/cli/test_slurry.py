"""`drymon slurry`: what is typed becomes a check on record, is seen, and is taken back."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drymon.cli.main import main
from drymon.cli.slurry import litres_of, number_of
from drymon.errors import LearningError
from drymon.shop.facts.events import SlurryCheck
from drymon.store import Store
from tests.cli.test_live import service
from tests.processes import Process

__all__ = ["service"]

TANK = """
[[slurry]]
name = "tank-1"
label = "Backup tank"
coats = ["backup"]
cup = "iso-2431-4"
seconds = [28, 34]
"""


@pytest.fixture
def tank_home(home: Path) -> Path:
    """A home with one tank."""
    room = home / "room.toml"
    room.write_text(room.read_text(encoding="utf-8") + TANK, encoding="utf-8")
    return home


@pytest.fixture
def running(tank_home: Path, service: Process) -> Path:
    """The service listens, and knows the tank."""
    return tank_home


def checks(home: Path) -> list[SlurryCheck]:
    with Store.open(home / "drymon.db", readonly=True) as store:
        return [event for event in store.tank_events() if isinstance(event, SlurryCheck)]


def test_a_check_is_logged_seen_and_taken_back(running: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--home", str(running)]
    words = ["--seconds", "36", "--temperature", "71.6F", "--density", "1,82", "--ph", "9.1", "--water", "200ml"]
    assert main(["slurry", "tank-1", *words, "--stirred", "--by", "kim", *where]) == 0
    assert "slurry tank-1: 36 s, 22 °C, 1.82 kg/L, pH 9.1, 0.2 L of water added, stirred" in capsys.readouterr().out
    (check,) = checks(running)
    assert (check.seconds, check.temperature, check.density, check.ph) == (36.0, 22.0, 1.82, 9.1)
    assert (check.water_added, check.stirred, check.by) == (0.2, True, "kim")
    assert main(["slurry", *where]) == 0
    told = capsys.readouterr().out
    assert "tank-1 (Backup tank): out of band; for backup" in told
    assert "36 s, thicker than 28 to 34 s" in told
    assert "43.8 mm²/s; a cup compares a slurry with itself" in told
    assert "too thick: add a little water, stir, then check with the cup" in told
    assert main(["dip", "t-1", "backup", "--rack", "rack-a", *where]) == 0
    assert "slurry tank-1 is out of band: 36 s, thicker than 28 to 34 s" in capsys.readouterr().err
    assert main(["slurry", "tank-1", "--undo", *where]) == 0
    assert "slurry tank-1: taken back, as if never said (slurry tank-1: 36 s" in capsys.readouterr().out
    assert main(["slurry", *where]) == 0
    assert "never checked" in capsys.readouterr().out
    assert main(["slurry", "tank-1", "--undo", *where]) == 1
    assert "nothing that still stands was said of it; nothing was sent" in capsys.readouterr().err
    earlier = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=2)
    assert main(["slurry", "tank-1", "--ph", "9", "--at", f"{earlier:%Y-%m-%dT%H:%M:%SZ}", *where]) == 0
    assert checks(running)[0].time == earlier


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["tank-2", "--seconds", "30"], 'slurry: received "tank-2"; in room.toml are tank-1 (did you mean tank-1?)'),
        (["--seconds", "30"], "say which tank; in room.toml are tank-1"),
        (["tank-1"], "slurry: received nothing of the tank"),
        (["tank-1", "--seconds", "thick"], "seconds: received 'thick'; allowed is a number, such as 32 or 1.82"),
        (["tank-1", "--water", "2 cups"], "water: received '2 cups'; allowed is a number and a unit, such as 0.2l"),
        (["tank-1", "--undo", "--ph", "9"], "--undo: received with what was measured"),
        (["tank-1", "--entry", "s-1", "--ph", "9"], "--entry: received without --undo"),
        (["tank-1", "--temperature", "72"], "temperature: received 72"),
    ],
)
def test_wrong_words_are_told_with_what_is_allowed(
    tank_home: Path, capsys: pytest.CaptureFixture[str], words: list[str], told: str
) -> None:
    Store.open(tank_home / "drymon.db").close()
    assert main(["slurry", *words, "--home", str(tank_home)]) == 2
    assert told in capsys.readouterr().err


def test_a_home_without_tanks_says_how_to_have_one(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Store.open(home / "drymon.db").close()
    assert main(["slurry", "--home", str(home)]) == 0
    assert capsys.readouterr().out == "no tanks: add a [[slurry]] to room.toml\n"


@pytest.mark.parametrize(("text", "litres"), [("0.2", 0.2), ("0,2 L", 0.2), ("200ml", 0.2), ("1gal", 3.785412)])
def test_water_is_taken_as_people_write_it(text: str, litres: float) -> None:
    assert litres_of(text) == litres


@pytest.mark.parametrize(("text", "number"), [("32", 32.0), ("32s", 32.0), (" 1,82 ", 1.82)])
def test_numbers_are_taken_as_people_write_them(text: str, number: float) -> None:
    assert number_of(text, "seconds", "s") == number


@pytest.mark.parametrize("text", ["-3", "", "1.2.3", "32 min"])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(LearningError, match="seconds: received"):
        number_of(text, "seconds", "s")
