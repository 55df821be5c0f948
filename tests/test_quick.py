"""The quick road must give what the commands give of the same record."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parent.parent
if not (ROOT / "benchmarks" / "accuracy").is_dir():
    pytest.skip("the examiner lives in the checkout only", allow_module_level=True)
sys.path.insert(0, str(ROOT))
pytest.importorskip("pvlib", reason="the examiner's weather comes from pvlib")

from benchmarks.accuracy import quick  # noqa: E402
from benchmarks.accuracy.rooms import make_room  # noqa: E402
from drymon.cli.home import record_of  # noqa: E402
from drymon.learning.run import Run  # noqa: E402
from drymon.messages.config import load_home  # noqa: E402
from drymon.readback.weighed_runs import weighed_runs  # noqa: E402

HAND, CELLS = ("front", 2), ("pores", 4)  # shops that weigh by hand, and on load cells; fans that swing in both


def through_the_commands(folder: Path, home: Path) -> dict[str, Run]:
    """The room's weighed runs by their name, after a replay."""
    home.mkdir()
    (home / "room.toml").write_text((folder / "room.toml").read_text())
    command = [sys.executable, "-P", "-m", "drymon.cli", "replay", str(folder / "stream.jsonl.gz"), "--home", str(home)]
    subprocess.run([*command, "--out", str(folder / "out.jsonl")], check=True, capture_output=True)
    config = load_home(home)
    with record_of(config) as record:
        return {run.id: run for run in weighed_runs(config, record)}


@pytest.mark.parametrize(("world", "seed"), [HAND, CELLS])
def test_runs_are_those_of_the_commands(world: str, seed: int, tmp_path: Path) -> None:
    room = make_room(world, "working-week", seed, part="fit", days=2, lead_days=0, trees=3, weighed_runs=4)
    room.save(tmp_path / "room")
    theirs = through_the_commands(tmp_path / "room", tmp_path / "home")
    ours = [quick.run_of(raw) for raw in quick.raw_of(room, weighed=True)]
    assert {run.number for run in ours} >= {1, 2}
    for run in ours:
        other = theirs[run.id]
        assert (run.coat, run.number, run.shelter, run.rack, run.problem) == (
            other.coat, other.number, other.shelter, other.rack, other.problem,
        )  # fmt: skip
        np.testing.assert_allclose(run.times_s, other.times_s)
        np.testing.assert_allclose(run.masses_kg, other.masses_kg)
        assert run.held_below == pytest.approx(other.held_below, abs=1e-9)
        assert run.air is not None
        assert other.air is not None
        np.testing.assert_allclose(run.air.resistance, other.air.resistance, rtol=1e-9)
        np.testing.assert_allclose(run.air.deficit, other.air.deficit, rtol=1e-9)


def test_a_shop_is_kept_and_its_dips_carry_their_air(tmp_path: Path) -> None:
    made, again = (quick.load("layers", "steady", 1, runs=2, cache=tmp_path) for _ in range(2))
    assert [run.id for run in made.runs] == [run.id for run in again.runs]
    assert len(list(tmp_path.glob("*.pickle"))) == 1
    assert {run.coat for run in made.runs} <= set(made.starts)
    dip = made.dips[0]
    assert dip.air.edges_s[-1] / 3600.0 == pytest.approx(3.0 * dip.hours, abs=0.1)
    assert dip.gone[int(60 * dip.hours)] == pytest.approx(0.95, abs=0.01)
    assert any(dip.cell is not None for dip in made.dips)
