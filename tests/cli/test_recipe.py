"""`drymon recipe`: what is said of a room's recipes, and a suggestion that can be pasted into room.toml."""

from pathlib import Path

import pytest

from drymon.cli.main import main
from drymon.messages.config import load_home


@pytest.fixture
def usual(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """A home as `drymon init` makes it."""
    assert main(["init", "--home", str(tmp_path / "home")]) == 0
    capsys.readouterr()
    return tmp_path / "home"


def test_the_recipes_of_a_new_home_are_told_of(usual: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["recipe", "--home", str(usual)]) == 0
    said = capsys.readouterr().out
    assert "bronze (Bronze and aluminium): 9 coats, prime-first, prime-fine, 6 x backup, seal\n" in said
    assert "skipped" not in said
    assert "2 prime coats: three are usual" in said
    assert "your own way always wins" in said


@pytest.mark.parametrize("more", [[], ["--slurry-first", "--sharp-edges", "--weight", "95lb", "--plain"]])
def test_a_suggestion_pasted_into_room_toml_is_a_recipe(
    usual: Path, more: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["recipe", "suggest", "--metal", "iron", "--name", "gate", *more, "--home", str(usual)]
    assert main(words) == 0
    said = capsys.readouterr().out
    lines = said.split("For room.toml:\n\n")[1].split("\n\nCommon practice")[0]
    room = usual / "room.toml"
    room.write_text(room.read_text("utf-8") + f"\n{lines}\n", "utf-8")
    recipe = load_home(usual).room.recipe_by_name["gate"]
    assert said.startswith(f"{len(recipe.coats)} coats for iron")
    assert recipe.coats.count("prime-first") == 2
    assert recipe.coats[-1] == "seal"


def test_a_room_that_lacks_a_coat_is_given_its_lines(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["recipe", "suggest", "--metal", "bronze", "--home", str(home)]) == 0
    lines = capsys.readouterr().out.split("For room.toml:\n\n")[1].split("\n\nCommon practice")[0]
    assert '[[coat]]\nname = "seal"\nfamily = "seal"\nstucco_mesh = []' in lines
    room = home / "room.toml"
    room.write_text(room.read_text("utf-8") + f"\n{lines}\n", "utf-8")
    assert load_home(home).room.recipe_by_name["new"].coats[-1] == "seal"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--metal", "iron", "--weight", "0"], "allowed is more than 0"),
        (["--metal", "iron", "--weight", "heavy"], "allowed is a number"),
        (["--metal", "iron", "--name", "Big One"], "1 to 40 of the characters"),
        (["--metal", "lead"], "bronze"),
        ([], "--metal"),
    ],
)
def test_what_makes_no_sense_is_refused(
    home: Path, words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["recipe", "suggest", *words, "--home", str(home)]) == 2
    assert told in capsys.readouterr().err
