"""A home with a little record in it, made by the commands themselves."""

from pathlib import Path

import pytest

from drymon.cli.main import main
from tests.cli.cli_home import ROOM_TOML, stream_lines


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A home with a room and nothing recorded."""
    folder = tmp_path / "home"
    folder.mkdir()
    (folder / "room.toml").write_text(ROOM_TOML, encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home into which the small stream was replayed; tests only read it."""
    folder = tmp_path_factory.mktemp("played")
    (folder / "room.toml").write_text(ROOM_TOML, encoding="utf-8")
    stream = folder / "small.jsonl"
    stream.write_text("\n".join(stream_lines()) + "\n", encoding="utf-8")
    assert main(["replay", str(stream), "--home", str(folder)]) == 0
    return folder
