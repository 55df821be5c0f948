"""`drymon plot` on a record: what it draws by itself, and what it says where it cannot."""

import sys
from pathlib import Path

import pytest

from drymon.cli.main import main
from tests.views.record_home import fill

ROOM = """
[room]
name = "shop"
[[rack]]
name = "rack-a"
[[rack]]
name = "rack-b"
[[coat]]
name = "prime"
family = "prime"
[[coat]]
name = "backup"
family = "backup"
[[recipe]]
name = "standard"
coats = ["prime", "backup"]
"""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("home")
    (folder / "room.toml").write_text(ROOM)
    fill(folder / "drymon.db")
    return folder


def plot(home: Path, *words: str) -> int:
    return main(["plot", *words, "--home", str(home)])


@pytest.mark.parametrize("folder", ["a folder", "/proc"])
def test_where_no_picture_can_be_written_it_says_where_and_what_to_do(
    home: Path, tmp_path: Path, folder: str, capsys: pytest.CaptureFixture[str]
) -> None:
    if folder == "/proc" and not sys.platform.startswith("linux"):
        pytest.skip("no /proc on this system")
    file = Path(folder) / "x.png" if folder == "/proc" else tmp_path / "x.png"
    if folder != "/proc":
        file.mkdir()
    assert plot(home, "model", "backup", "--out", str(file)) == 1
    said = capsys.readouterr().err
    assert f"received {str(file)!r}" in said
    assert f"in {file.parent}" in said
    assert "name a file in a folder of yours" in said


def test_an_unknown_tree_or_coat_is_told_with_those_that_there_are(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert plot(home, "tree", "t-404", "--out", str(tmp_path / "x.svg")) == 2
    assert "known: t-7\n" in capsys.readouterr().err
    assert plot(home, "model", "mud", "--out", str(tmp_path / "x.svg")) == 2
    said = capsys.readouterr().err
    assert "no coat or coat model named 'mud'" in said
    assert "prime, prime-fine" in said


def test_a_coat_without_a_model_of_its_own_is_drawn_as_the_recipes_number_it(home: Path, tmp_path: Path) -> None:
    file = tmp_path / "model.svg"
    assert plot(home, "model", "prime", "--out", str(file)) == 0
    assert "goes by the model of prime-first, with wide bounds · as coat 1 in air of" in file.read_text()


@pytest.mark.parametrize("words", [("tree", "t-7"), ("room",), ("rack", "rack-a"), ("psychrometric", "rack-a")])
def test_every_kind_of_picture_is_drawn(home: Path, tmp_path: Path, words: tuple[str, ...]) -> None:
    file = tmp_path / "picture.png"
    assert plot(home, *words, "--out", str(file)) == 0
    assert file.read_bytes().startswith(b"\x89PNG")
