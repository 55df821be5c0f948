"""Models that another home has learnt are a beginning here: no fit may lose what they know."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from drymon.cli.fit import starts_of
from drymon.cli.main import main
from drymon.drying.coat_model import CoatModel, Spread
from drymon.messages.coat_models import load_models, read_model, write_model
from drymon.messages.config import load_home
from tests.learning.weighed_stream import bench_run, line

ROOM = """
[room]
name = "shop"
[[rack]]
name = "rack-a"
[[coat]]
name = "backup"
family = "backup"
"""


def lines() -> list[str]:
    """One open tree in steady air, weighed by hand down to its last water."""
    rows = [line(minute / 60.0, "rack-a/temperature", "21.0") for minute in range(7 * 60)]
    rows += [line(minute / 60.0 + 0.002, "rack-a/humidity", "48.0") for minute in range(7 * 60)]
    return [json.dumps(said) for _, said in sorted([*rows, *bench_run("t-1", 1.0)], key=lambda pair: pair[0])]


def learnt_there() -> CoatModel:
    """As a home with twenty-four runs would have written it."""
    start = load_models(None)["backup"]
    return replace(
        start,
        parameters={name: Spread(one.centre, 0.3 * one.sd) for name, one in start.parameters.items()},
        runs=24,
        run_ids=tuple(f"there-{i}.3.20300101T0000" for i in range(24)),
        shelters_learned=("open", "pocketed"),
        origin="fitted by drymon to 24 weighed runs of this room",
    )


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    stream = tmp_path / "stream.jsonl"
    stream.write_text("\n".join(lines()) + "\n", encoding="utf-8")
    assert main(["replay", str(stream), "--home", str(tmp_path)]) == 0
    write_model(learnt_there(), tmp_path / "models" / "backup.toml")
    return tmp_path


def fitted(home: Path) -> CoatModel:
    assert main(["fit", "--home", str(home)]) == 0
    return read_model(home / "models" / "backup.toml")


def test_a_fit_begins_without_the_usual_wait_for_its_runs_say_more(tmp_path: Path) -> None:
    found = []
    for name, said in (("told", "usual_wait_h = 9\n"), ("untold", "")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "room.toml").write_text(ROOM + said, encoding="utf-8")
        found.append(starts_of(load_home(tmp_path / name), []))
    assert found[0] == found[1] == {"backup": load_models(None)["backup"]}


def test_what_was_learnt_elsewhere_stays_learnt(home: Path) -> None:
    model = fitted(home)
    assert model.runs == 1
    assert model.shelters_learned == ("open", "pocketed")
    assert "beginning from a model of 24 runs of another" in model.origin


def test_the_growth_of_the_end_is_a_start_too_and_less_sure(home: Path) -> None:
    known = replace(learnt_there(), end_growth=Spread(0.5, 0.1))
    write_model(known, home / "models" / "backup.toml")
    start = starts_of(load_home(home), [])["backup"].end_growth
    assert start is not None
    assert start.centre == 0.5
    assert start.sd > 0.1
    found = fitted(home).end_growth  # one run of coat 3 tells nothing of late coats
    assert found is not None
    assert found.centre == pytest.approx(0.5, rel=0.05)


def test_every_further_fit_begins_there_again(home: Path) -> None:
    first = fitted(home)
    text = (home / "models" / "backup.toml").read_bytes()
    assert fitted(home) == first
    assert (home / "models" / "backup.toml").read_bytes() == text


def test_the_copied_folder_carries_it_on(home: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """The files of models/ alone are what the next home is given: they are the newest knowledge."""
    first = fitted(home)
    there = tmp_path_factory.mktemp("next")
    write_model(read_model(home / "models" / "backup.toml"), there / "models" / "backup.toml")
    assert load_models(there)["backup"] == first


def test_without_it_one_run_knows_less(home: Path) -> None:
    with_it = fitted(home)
    for file in (home / "models").rglob("*.toml"):
        file.unlink()
    without = fitted(home)
    assert without.shelters_learned == ("open",)
    assert without.parameters["water"].sd > 1.2 * with_it.parameters["water"].sd
