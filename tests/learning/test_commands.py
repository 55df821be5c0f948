"""`runs`, `fit` and `calibrate` on a home into which a made-up stream of weighings was replayed."""

import json
import math
import re
import tomllib

import pytest

from drymon.cli.home import record_of
from drymon.cli.main import main
from drymon.drying import sorption
from drymon.messages.config import load_home
from drymon.readback.weighed_runs import weighed_runs
from drymon.store import HomeLock, Store
from tests.learning.weighed_stream import TAU_H, bench_run, line, log

ROOM = """
[room]
name = "shop"
[[rack]]
name = "rack-a"
[[cell]]
name = "cell-1"
rack = "rack-a"
[[coat]]
name = "backup"
family = "backup"
[[coat]]
name = "house-mix"
family = "backup"
"""


def _cell_run(tree, begin):
    yield log(begin, "dip", tree=tree, rack="rack-a", coat="backup", shelter="open", number=1, cell="cell-1")
    for minute in range(6 * 60):
        mass = 5.0 + 0.1 * math.exp(-minute / 60.0 / TAU_H)
        if minute == 100:
            mass += 2.0  # a knock
        yield line(begin + minute / 60.0 + 0.01, "rack-a/weight/cell-1", f"{mass:.4f}")


def _lines():
    for minute in range(30 * 60):
        yield line(minute / 60.0, "rack-a/temperature", "21.0")
        yield line(minute / 60.0 + 0.002, "rack-a/humidity", f"{48 + 2 * math.sin(minute / 90):.1f}")
        yield line(minute / 60.0 + 0.004, "rack-a/airflow", f"{0.6 + 0.02 * (minute % 3):.2f}")
    yield from bench_run("t-1", 1.0)
    yield from bench_run("t-2", 8.0)
    yield from _cell_run("t-3", 15.0)
    yield log(22.0, "dip", tree="t-4", rack="rack-a", coat="backup", shelter="open", number=1)
    yield log(22.5, "weigh", tree="t-4", mass=3.0, unit="kg")


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    home = tmp_path_factory.mktemp("weighed")
    (home / "room.toml").write_text(ROOM, encoding="utf-8")
    stream = home / "stream.jsonl"
    lines = sorted(_lines(), key=lambda pair: pair[0])
    stream.write_text("\n".join(json.dumps(line) for _, line in lines) + "\n", encoding="utf-8")
    assert main(["replay", str(stream), "--home", str(home)]) == 0
    return home


def runs_of(home, lines):
    """The weighed runs of a home that has heard these lines, (hour, line) each, and nothing else."""
    stream = home / "stream.jsonl"
    lines.sort(key=lambda pair: pair[0])
    stream.write_text("\n".join(json.dumps(line) for _, line in lines) + "\n", encoding="utf-8")
    assert main(["replay", str(stream), "--home", str(home)]) == 0
    config = load_home(home)
    with record_of(config) as record:
        return weighed_runs(config, record)


def test_a_run_knows_what_the_coats_below_held_when_it_was_dipped(tmp_path) -> None:
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    lines = [log(0.0, "dip", tree="t-1", rack="rack-a", coat="backup", shelter="open", number=1)]
    lines.append(log(5.0, "dip", tree="t-1", rack="rack-a", coat="backup"))
    for minute in range(9 * 60):
        lines.append(line(minute / 60.0 + 0.001, "rack-a/temperature", "21.0"))
        lines.append(line(minute / 60.0 + 0.002, "rack-a/humidity", "30.0" if minute < 300 else "60.0"))
    lines += [log(5.1 + k / 2, "weigh", tree="t-1", mass=4.0 + 0.1 * math.exp(-k), unit="kg") for k in range(7)]
    (run,) = runs_of(tmp_path, lines)
    assert run.number == 2
    assert run.held_below == pytest.approx(float(sorption.excess(30.0)), abs=0.02)


def test_a_run_knows_how_thick_its_slurry_was(tmp_path) -> None:
    """A liquid of 44 s has 55.7 mm2/s by ISO 2431's 4 mm cup, one of 40 s, the middle of the band, 49.8."""
    tank = '[[slurry]]\nname = "tank-1"\ncoats = ["backup"]\ncup = "iso-2431-4"\nseconds = [36, 44]\n'
    (tmp_path / "room.toml").write_text(ROOM + tank, encoding="utf-8")
    lines = [*bench_run("t-1", 1.0), *bench_run("t-2", 30.0), *bench_run("t-3", 4.0, "house-mix")]
    lines += [log(0.5, "slurry", slurry="tank-1", seconds=44), log(2.0, "slurry", slurry="tank-1", seconds=30)]
    lines += [line(k / 12.0, f"rack-a/{what}", value) for k in range(36 * 12)
              for what, value in (("temperature", "21.0"), ("humidity", "50.0"))]  # fmt: skip
    found = {run.tree: run.thick for run in runs_of(tmp_path, lines)}
    assert found == {"t-1": pytest.approx(math.log(55.7 / 49.8), abs=0.003), "t-2": 0.0, "t-3": 0.0}


def test_a_spell_inherits_nothing_over_a_dip_said_to_be_the_first(tmp_path) -> None:
    """As live: another shell of the same name has its own shelter and hangs on no cell until somebody says so."""
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    cell = {"tree": "t-1", "rack": "rack-a", "coat": "backup", "cell": "cell-1", "shelter": "open", "number": 1}
    lines = [log(0.0, "dip", **cell), log(5.0, "dip", tree="t-1", rack="rack-a", coat="backup", number=1)]
    lines += [line(k / 60.0, "rack-a/temperature", "21.0") for k in range(9 * 60)]
    lines += [log(5.1 + k / 2, "weigh", tree="t-1", mass=4.0 + 0.1 * math.exp(-k), unit="kg") for k in range(7)]
    lines += [line(k / 60.0 + 0.01, "rack-a/weight/cell-1", "5.0") for k in range(9 * 60)]
    first, second = runs_of(tmp_path, lines)
    assert (first.shelter, first.on_cell, second.shelter, second.on_cell) == ("open", True, "pocketed", False)


def test_runs_lists_what_was_weighed_and_why_one_is_not_used(played, capsys) -> None:
    assert main(["runs", "--home", str(played)]) == 0
    out = capsys.readouterr().out
    assert "t-1.1.20310303T0700" in out
    assert re.search(r"t-3\S+ +backup +1 +open .* c ", out)
    assert re.search(r"t-4\S+ .*not used: 1 weighing; at least 4 are needed", out)
    assert "4 runs, 3 used" in out


def test_fit_writes_a_model_and_a_report(played, capsys, tmp_path) -> None:
    """The weighings are plain exponentials of 1.2 h: 95 % are gone after 1.2 ln 20 = 3.6 h."""
    words = ["fit", "--details", "--home", str(played), "--report", str(tmp_path / "report")]
    assert main(words) == 0
    out = capsys.readouterr().out
    model = tomllib.loads((played / "models" / "backup.toml").read_text(encoding="utf-8"))
    assert model["runs"] == 3
    assert "below 9 runs the interval rests on priors" in model["origin"]
    rows = re.findall(r"t-\d\.1\.\S+ +(\d+)% +([\d.]+)", out)
    assert len(rows) == 3
    for left, hours in rows:  # the share left is printed in whole percent
        assert float(hours) == pytest.approx(TAU_H * math.log(100.0 / float(left)), rel=0.1)
    page = (tmp_path / "report" / "index.html").read_text(encoding="utf-8")
    assert "What to weigh next" in page
    (kept,) = re.findall(r'"surely by": (.*)', out)
    assert kept.startswith("4 told at a dip, ")  # four trees, a coat each
    assert "Was “surely by” kept?" in page
    assert kept in page
    for picture in re.findall(r'src="([^"]+)"', page):
        assert (tmp_path / "report" / picture).read_text(encoding="utf-8").startswith("<?xml")


def test_fit_speaks_to_a_caster_first_and_of_numbers_only_when_asked(played, capsys) -> None:
    assert main(["fit", "--home", str(played)]) == 0
    out = capsys.readouterr().out
    first, *others = out.splitlines()
    found = re.fullmatch(
        r"backup no\. 1 in your usual air \(21 °C, 4\d %RH, 0\.6 m/s\): about ([\d.]+) h; wait ([\d.]+) h to be sure; "
        r"weigh next: a pocketed tree down to its last water",
        first,
    )
    assert found is not None
    likely, sure = map(float, found.groups())
    assert likely == pytest.approx(TAU_H * math.log(20.0), rel=0.15)
    assert likely < sure
    assert "3 weighed runs" in others[0]
    assert "1 weighed run not used" in others[0]
    assert "open trees: 3 runs only, too few to say how far off the next one will be" in others[1]
    for word in ("parameter", "critical", "growth_3", "took h", "log probability"):
        assert word not in out


def no_drying(tree, begin):
    """Slow at first and ever faster: what no wet body does in steady air."""
    yield log(begin, "dip", tree=tree, rack="rack-a", coat="backup", shelter="open", number=1)
    for k in range(14):
        hours = 0.1 + 0.4 * k
        mass = 4.0 + 0.12 * max(1.0 - (hours / 5.0) ** 3, 0.0)
        yield log(begin + hours, "weigh", tree=tree, mass=round(mass, 4), unit="kg")


def test_a_model_that_misses_its_runs_is_written_as_doubted_and_told_of(tmp_path, capsys) -> None:
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    lines = [line(minute / 60.0, "rack-a/temperature", "21.0") for minute in range(16 * 60)]
    lines += [line(minute / 60.0 + 0.002, "rack-a/humidity", "48.0") for minute in range(16 * 60)]
    lines += [*no_drying("t-1", 1.0), *no_drying("t-2", 8.0)]
    assert all(run.used for run in runs_of(tmp_path, lines))
    capsys.readouterr()
    assert main(["fit", "--home", str(tmp_path)]) == 1
    said = capsys.readouterr()
    assert said.out.startswith("backup: do not go by this model: the fitted curve misses 2 of 2 weighed runs")
    assert "to be sure" not in said.out
    assert "doubted: backup" in said.err
    assert "misses 2 of 2" in tomllib.loads((tmp_path / "models" / "backup.toml").read_text(encoding="utf-8"))["doubt"]


def test_a_shop_without_a_scale_is_told_what_fingers_taught(tmp_path, capsys) -> None:
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    lines = [line(minute / 60.0, "rack-a/temperature", "21.0") for minute in range(12 * 60)]
    lines += [line(minute / 60.0 + 0.002, "rack-a/humidity", "48.0") for minute in range(12 * 60)]
    for tree in range(3):
        begin = 1.0 + 0.1 * tree
        lines.append(log(begin, "dip", tree=f"t-{tree}", rack="rack-a", coat="backup", shelter="pocketed", number=1))
        for hours, finding in ((1.0, "wet"), (4.0, "wet"), (7.0, "dry")):
            lines.append(log(begin + hours, "felt", tree=f"t-{tree}", finding=finding, where="pocket"))
    runs_of(tmp_path, lines)
    capsys.readouterr()
    assert main(["fit", "--details", "--home", str(tmp_path), "--report", str(tmp_path / "report")]) == 0
    out = capsys.readouterr().out
    assert out.startswith("backup: no weighed run yet, only what was felt of trees; weigh next: ")
    assert "to be sure" not in out
    assert (
        "felt of 3 coats" in tomllib.loads((tmp_path / "models" / "backup.toml").read_text(encoding="utf-8"))["origin"]
    )
    page = (tmp_path / "report" / "index.html").read_text(encoding="utf-8")
    assert "what was felt counts" in page


def test_fit_replaces_a_damaged_model_and_names_one_that_it_does_not_replace(played, capsys) -> None:
    for name in ("backup", "house-mix"):
        (played / "models").mkdir(exist_ok=True)
        (played / "models" / f"{name}.toml").write_text("damaged", encoding="utf-8")
    assert main(["fit", "--home", str(played)]) == 0
    said = capsys.readouterr().err
    (played / "models" / "house-mix.toml").unlink()
    assert tomllib.loads((played / "models" / "backup.toml").read_text(encoding="utf-8"))["runs"] == 3
    assert "house-mix.toml" in said
    assert "backup.toml" not in said


def test_a_run_is_left_out_with_its_reason_and_taken_back(played, capsys) -> None:
    name = "t-1.1.20310303T0700"
    home = ["--home", str(played)]
    assert main(["runs", "--leave-out", name, "--reason", "bumped into the door", "--by", "ana", *home]) == 0
    main(["runs", *home])
    assert "left out: bumped into the door" in capsys.readouterr().out
    assert main(["fit", *home]) == 0
    assert name not in tomllib.loads((played / "models" / "backup.toml").read_text(encoding="utf-8"))["run_ids"]
    assert main(["runs", "--take-back", name, *home]) == 0
    capsys.readouterr()
    main(["runs", *home])
    assert "4 runs, 3 used" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "code", "error"),
    [
        (["runs", "--leave-out", "t-1.1.20310303T0700"], 2, "--reason"),
        (["runs", "--leave-out", "nobody", "--reason", "x"], 1, "no run has this name"),
        (["fit", "--coat", "marble"], 2, "coat: received 'marble'; in room.toml are backup"),
        (["fit", "--coat", "house-mix"], 1, "no weighed run can be used yet"),
    ],
)
def test_errors_say_what_was_received(played, capsys, words, code, error) -> None:
    assert main([*words, "--home", str(played)]) == code
    assert error in capsys.readouterr().err


def test_a_cell_calibrated_from_a_file_is_kept_and_due(played, capsys, tmp_path) -> None:
    points = tmp_path / "cell.csv"
    points.write_text("known_kg,reading_kg\n0,0.02\n5,5.07\n10,10.12\n5,5.07\n0,0.02\n", encoding="utf-8")
    home = ["--home", str(played)]
    assert main(["calibrate", "cell", "cell-1", "--points", str(points), *home]) == 0
    out = capsys.readouterr().out
    assert "within the limits of class III" in out
    assert "buoyancy" in out
    main(["calibrate", "list", *home])
    assert re.search(r"cell-1 +cell +\d{4}-\d\d-\d\d +due \d{4}-\d\d-\d\d", capsys.readouterr().out)


def test_a_bad_cell_exits_1_and_a_bad_file_names_the_columns(played, capsys, tmp_path) -> None:
    points = tmp_path / "cell.csv"
    points.write_text("known_kg,reading_kg\n0,0\n5,5.2\n10,10\n", encoding="utf-8")
    home = ["--home", str(played)]
    assert main(["calibrate", "cell", "cell-1", "--points", str(points), "--dry-run", *home]) == 1
    points.write_text("kg;shown\n", encoding="utf-8")
    assert main(["calibrate", "cell", "cell-1", "--points", str(points), *home]) == 1
    assert "needed: known_kg,reading_kg" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("kind", "sensor", "points", "told"),
    [
        ("temperature", "rack-a", "reference,reading\n20.0,60\n25.0,10\n", "far off: it asks for a correction of"),
        ("temperature", "rack-a", "reference,reading\n20.0,20.0\n25.0,27.5\n", "not to be relied on"),
        ("cell", "cell-1", "known_kg,reading_kg\n0,0\n1,3\n2,1\n5,9\n", "outside the limits of class III"),
    ],
)
def test_what_is_judged_unfit_corrects_nothing(played, capsys, tmp_path, kind, sensor, points, told) -> None:
    (tmp_path / "points.csv").write_text(points, encoding="utf-8")
    with Store.open(played / "drymon.db", readonly=True) as store:
        before = store.calibrations()
    words = ["calibrate", kind, sensor, "--points", str(tmp_path / "points.csv"), "--home", str(played)]
    assert main(words) == 1
    said = capsys.readouterr()
    assert told in said.out
    assert "kept" not in said.out
    assert f"not kept, {sensor}'s readings stay as they are" in said.err
    with Store.open(played / "drymon.db", readonly=True) as store:
        assert store.calibrations() == before


def test_what_is_fair_is_kept(played, capsys, tmp_path) -> None:
    """0.5 K of the pairs' disagreement remains: more than is good, less than is unfit."""
    (tmp_path / "points.csv").write_text("reference,reading\n20.0,20.0\n25.0,26.0\n", encoding="utf-8")
    words = ["calibrate", "temperature", "rack-a", "--points", str(tmp_path / "points.csv"), "--home", str(played)]
    assert main(words) == 0
    out = capsys.readouterr().out
    assert "usable once corrected, with wider bounds" in out
    assert "kept; readings from now on are corrected" in out


@pytest.mark.parametrize(
    ("kind", "sensor", "known"),
    [("cell", "cell-2", "cell-1"), ("humidity", "rack-b", "rack-a"), ("temperature", "rack-a/low", "rack-a")],
)
def test_a_sensor_that_nobody_knows_is_refused_before_anything_is_asked(played, capsys, kind, sensor, known) -> None:
    assert main(["calibrate", kind, sensor, "--points", "nowhere.csv", "--home", str(played)]) == 1
    assert f"received {sensor!r}; known here are {known}\n" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words", [["runs", "--leave-out", "t-1.1.20310303T0700", "--reason", "x"], ["calibrate", "humidity", "rack-a"]]
)
def test_nothing_is_written_beside_another_drymon(played, capsys, tmp_path, words) -> None:
    (tmp_path / "salts.csv").write_text(
        "salt,temperature_c,reading_pct\nMgCl2,22,35.1\nNaCl,22,77.0\n", encoding="utf-8"
    )
    more = ["--points", str(tmp_path / "salts.csv")] if words[0] == "calibrate" else []
    with HomeLock(played):  # as a service does whose page is not up
        assert main([*words, *more, "--home", str(played)]) == 1
    assert "is in use" in capsys.readouterr().err
