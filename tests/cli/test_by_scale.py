"""A wet cloth and a dipped piece as people weigh them: real processes, a record of air, a scale of a gram."""

import json
import re
import shlex
import subprocess
from datetime import timedelta
from pathlib import Path

import pytest

from drymon.cli.main import main
from drymon.store import Calibration, Store
from tests import processes
from tests.cli.cli_home import BEGIN, ROOM_TOML, stamp
from tests.drying.test_wet_cloth import outside_rate

MORE = """
[[rack]]
name = "rack-b"
airflow_assumed = [0.3, 2.0]
[[coat]]
name = "prime-first"
family = "prime"
[[recipe]]
name = "standard"
coats = ["prime-first", "backup", "backup", "backup", "backup"]
"""
AREA = 2 * 4 * 0.10 * 0.60
CLOTH = ["airflow", "rack-b", "--wet-cloth", "--size", "10x60", "--strips", "4"]
GIVEN = ["--temperature", "22", "--humidity", "50"]
MASSES = ["--weighed", f"{stamp(1.0)}=412g", "--weighed", f"{stamp(1.5)}=371g"]
TILE = ["pickup", "backup", "--before", "512", "--after", "536", "--size", "10x10x1", "--solids", "73%"]


def air_of(minute: int) -> tuple[float, float]:
    """A room that warms and dries while the cloth hangs."""
    return 21.0 + minute / 60.0, 55.0 - minute / 12.0


def lines(minutes: int = 180, fan_off_at: int | None = None, without: str = "") -> list[str]:
    """Air at rack-b each minute and no anemometer; rack-a has one."""
    said = []
    for minute in range(minutes):
        temperature, humidity = air_of(minute)
        values = {
            "rack-b/temperature": f"{temperature:.2f}",
            "rack-b/humidity": f"{humidity:.1f}",
            "rack-a/airflow": "1.2",
        }
        values |= {"rack-a/temperature": f"{temperature:.2f}", "rack-a/humidity": f"{humidity:.1f}"}
        for topic, value in values.items():
            if topic != without:
                said.append({"time": stamp(minute / 60), "topic": f"drymon/shop/{topic}", "payload": value})
        if minute == fan_off_at:
            told = '{"rack": "rack-b", "on": false}'
            said.append({"time": stamp(minute / 60), "topic": "drymon/shop/log/fan", "payload": told})
        if minute == 30:
            for tree, rack in (("t-1", "rack-a"), ("t-2", "rack-b")):
                dip = json.dumps({"tree": tree, "rack": rack, "coat": "backup", "shelter": "open", "number": 3})
                said.append({"time": stamp(0.5), "topic": "drymon/shop/log/dip", "payload": dip})
    return [json.dumps(one) for one in said]


def played(folder: Path, **how: object) -> Path:
    """A home in which three hours of that were recorded."""
    folder.mkdir()
    (folder / "room.toml").write_text(ROOM_TOML + MORE, encoding="utf-8")
    stream = folder / "air.jsonl"
    stream.write_text("\n".join(lines(**how)) + "\n", encoding="utf-8")
    assert main(["replay", str(stream), "--home", str(folder)]) == 0
    return folder


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    return played(tmp_path / "home")


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """A home in which nothing was recorded."""
    (tmp_path / "room.toml").write_text(ROOM_TOML + MORE, encoding="utf-8")
    return tmp_path


def calibrate(home: Path, *words: str, typed: str | None = None) -> "subprocess.CompletedProcess[str]":
    """A process of its own."""
    return processes.run("calibrate", *words, "--home", str(home), typed=typed or "")


def calibrations(home: Path) -> list[Calibration]:
    with Store.open(home / "drymon.db", readonly=True) as store:
        return store.calibrations()


def shown(speed: float, minute: int, first: int = 60) -> int:
    """Grams that a scale of 1 g shows of strips of 412.3 g at first: the outside balance, minute by minute."""
    lost = sum(outside_rate(*air_of(each), speed) for each in range(first, minute)) * 60.0 * AREA
    return round(412.3 - 1000.0 * lost)


# --- a wet cloth ---


@pytest.mark.parametrize("speed", [0.4, 1.1, 2.5])
def test_a_scale_of_a_gram_finds_the_speed_of_a_simulated_rack(shop: Path, speed: float) -> None:
    """Half an hour in changing air: the truth lies within the bounds, and these are narrower than what was assumed."""
    masses = [f"{stamp(minute / 60)}={shown(speed, minute)}g" for minute in (60, 75, 90)]
    done = calibrate(shop, *CLOTH, *(word for mass in masses for word in ("--weighed", mass)))
    assert done.returncode == 0, done.stderr
    found = re.search(r"the air at rack-b dries like ([0-9.]+) m/s \(([0-9.]+) to ([0-9.]+)\)", done.stdout)
    assert found, done.stdout
    best, low, high = map(float, found.groups())
    assert low <= speed <= high
    assert best == pytest.approx(speed, rel=0.3)
    assert high / low < 3.0 < 2.0 / 0.3
    (kept,) = calibrations(shop)
    assert (kept.sensor, kept.kind) == ("rack-b/wet-cloth", "wet-cloth")
    assert kept.document["low"] == pytest.approx(low, rel=0.1)
    assert kept.document["fans"] == "on"
    assert kept.document["temperature_c"] == pytest.approx(22.25, abs=0.02)
    assert kept.document["weighings"][0]["mass_kg"] == pytest.approx(0.412)


def test_it_says_what_it_rests_on_and_what_it_has_narrowed(shop: Path) -> None:
    done = calibrate(shop, *CLOTH, *MASSES)
    assert "lost 41 g in 30 min from 0.48 m2, both faces: 171 g/m2 an hour" in done.stdout  # 41 / 0.48 / 0.5
    assert "in air of 22.2 °C, 49 %RH, by the sensors on record" in done.stdout
    assert re.search(r"most of the doubt, in the speed: its shape and how it moves \d+ %, ", done.stdout)
    told = (
        r"an open tree of backup \(coat 4\) in this air: likely dry after [0-9.]+ h, sure by [0-9.]+ h; before: likely "
    )
    assert re.search(told, done.stdout), done.stdout
    assert "kept; coats on a starting model go by it from now on" in done.stdout
    assert "to take it back: drymon calibrate undo rack-b/wet-cloth" in done.stdout


def test_a_replay_plays_what_the_record_has(shop: Path, tmp_path: Path) -> None:
    """The same stream into the home that the calibration is in: the tree there goes by it; another's does not."""
    assert calibrate(shop, *CLOTH, *MASSES).returncode == 0
    later = [line.replace("2031-03-03T", "2031-03-04T").replace('"number": 3', '"number": 4') for line in lines()]
    stream, out = tmp_path / "later.jsonl", tmp_path / "said.jsonl"
    stream.write_text("\n".join(later) + "\n", encoding="utf-8")
    assert main(["replay", str(stream), "--home", str(shop), "--out", str(out)]) == 0
    said = [json.loads(line) for line in out.read_text("utf-8").splitlines()]
    trees = {
        name: json.loads([one["payload"] for one in said if one["topic"].endswith(f"/out/tree/{name}")][-1])
        for name in ("t-1", "t-2")
    }
    reasons = {name: {one["code"]: one["text"] for one in tree["reasons"]} for name, tree in trees.items()}
    assert re.search(r"by its wet cloth it dries like [0-9.]+ to [0-9.]+ m/s", reasons["t-2"]["airflow-assumed"])
    assert "airflow-assumed" not in reasons["t-1"]


def test_where_an_anemometer_reports_it_is_compared_and_nothing_is_kept(shop: Path) -> None:
    done = calibrate(shop, "airflow", "rack-a", *CLOTH[2:], *MASSES)
    assert done.returncode == 0, done.stderr
    assert "the anemometer here reads 1.2 m/s, the two agree; it counts for the trees" in done.stdout
    assert "kept;" not in done.stdout
    assert calibrations(shop) == []


@pytest.mark.parametrize(
    ("loss", "told"), [(90, "reads 1.2 m/s, less: the air of a room is unsteady"), (25, "1.2 m/s, more: it may hang")]
)
def test_an_anemometer_that_says_otherwise_is_told_so(shop: Path, loss: int, told: str) -> None:
    masses = ["--weighed", f"{stamp(1.0)}=412g", "--weighed", f"{stamp(1.5)}={412 - loss}g"]
    assert told in calibrate(shop, "airflow", "rack-a", *CLOTH[2:], *masses).stdout


def test_the_fans_are_noted_and_must_stay_as_they_are(tmp_path: Path) -> None:
    slow = ["--weighed", f"{stamp(1.0)}=412g", "--weighed", f"{stamp(2.0)}=370g"]
    off = played(tmp_path / "off", fan_off_at=40)
    done = calibrate(off, *CLOTH, *slow)
    assert re.search(r"dries like 0\.\d+ m/s \(.*\), fans off", done.stdout), done.stdout + done.stderr
    assert calibrations(off)[0].sensor == "rack-b/wet-cloth/fans-off"
    switched = played(tmp_path / "switched", fan_off_at=80)
    done = calibrate(switched, *CLOTH, *slow)
    assert done.returncode == 1
    assert "the fans of rack-b were switched between the weighings" in done.stderr
    assert calibrate(switched, *CLOTH, *MASSES, "--fans", "on").returncode == 0


def test_air_that_is_not_on_record_can_be_given(shop: Path, bare: Path) -> None:
    none = ["--weighed", "2031-03-01T10:00:00Z=412g", "--weighed", "2031-03-01T10:30:00Z=371g"]
    done = calibrate(shop, *CLOTH, *none)
    assert done.returncode == 1
    assert re.search(r"temperature at rack-b: known in 0 % of the time .* give it yourself", done.stderr)
    assert "nothing is on record here yet" in calibrate(bare, *CLOTH, *none).stderr
    done = calibrate(bare, *CLOTH, *none, *GIVEN, "--pressure", "900 hPa")
    assert "in air of 22.0 °C, 50 %RH, as given" in done.stdout
    assert calibrations(bare)[0].document["pressure_pa"] == pytest.approx(90_000.0)


def test_a_sensor_that_was_silent_half_the_time_is_not_enough(tmp_path: Path) -> None:
    home = played(tmp_path / "home", without="rack-b/humidity")
    done = calibrate(home, *CLOTH, *MASSES)
    assert "humidity at rack-b: known in 0 % of the time between the weighings; at least 80 %" in done.stderr


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["airflow", "rack-z", *CLOTH[2:], *MASSES], 2, "rack: received 'rack-z'; in room.toml are rack-a, rack-b"),
        ([*CLOTH[:3], *MASSES, *GIVEN], 2, "size: received none; needed is that of one strip"),
        ([*CLOTH[:3], "--size", "10", *MASSES], 2, "size: received '10'; allowed are 2 sides"),
        ([*CLOTH, "--weighed", "09:00=412g", *GIVEN], 1, "received 1 weighings; at least 2"),
        ([*CLOTH, "--weighed", "noon=412g"], 2, "time: received 'noon'"),
        ([*CLOTH, "--weighed", "09:00=412stone"], 2, "received '412stone'; allowed is a mass"),
        ([*CLOTH, *MASSES, "--temperature", "22"], 2, "received one without the other"),
        ([*CLOTH, *MASSES, "--temperature", "72", "--humidity", "50"], 2, "received '72'; allowed is 0 to 50 °C"),
        ([*CLOTH, *MASSES, "--points", "x.csv"], 2, "--points: received with --wet-cloth"),
        (["airflow", "rack-a", "--size", "10x60"], 2, "--size: received without --wet-cloth"),
        ([*CLOTH, *MASSES, *GIVEN, "--strips", "0"], 2, "strips: received '0'"),
        ([*CLOTH, *MASSES, "--temperature", "22", "--humidity", "95"], 1, "the air had 95 %RH; allowed is up to 90 %"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_told(bare: Path, words: list[str], code: int, told: str) -> None:
    done = calibrate(bare, *words)
    assert (done.returncode, told in done.stderr) == (code, True), done.stderr
    assert not (bare / "drymon.db").exists()


def test_a_strange_result_is_kept_only_by_whoever_insists(bare: Path) -> None:
    """Strips said to be a third as wide: a gale beside what room.toml assumes."""
    words = [*CLOTH[:3], "--size", "3x60", "--strips", "4", *MASSES, *GIVEN]
    done = calibrate(bare, *words)
    assert done.returncode == 2
    assert re.search(r"m/s is far from the 0.3 to 2 that was assumed.*Nothing was kept.*--sure", done.stderr)
    assert not (bare / "drymon.db").exists()
    assert calibrate(bare, *words, "--sure").returncode == 0
    assert len(calibrations(bare)) == 1


def test_a_dry_run_keeps_nothing(bare: Path) -> None:
    assert "dries like" in calibrate(bare, *CLOTH, *MASSES, *GIVEN, "--dry-run").stdout
    assert not (bare / "drymon.db").exists()


def test_it_is_listed_taken_back_and_the_one_before_holds_again(bare: Path) -> None:
    for last in ("385", "380"):
        assert calibrate(bare, *CLOTH, "--weighed", "08:00=412", "--weighed", f"08:20={last}", *GIVEN).returncode == 0
    listed = calibrate(bare, "list").stdout
    assert re.search(r"^rack-b/wet-cloth +wet-cloth +\S+  due \S+  the air at rack-b dries like ", listed)
    assert "holds again" in calibrate(bare, "undo", "rack-b").stdout
    (stands,) = calibrations(bare)
    assert stands.document["weighings"][-1]["mass_kg"] == pytest.approx(0.385)
    assert "the assumed range holds" in calibrate(bare, "undo", "rack-b/wet-cloth").stdout
    assert calibrations(bare) == []


def test_check_says_when_to_weigh_again(bare: Path) -> None:
    with Store.open(bare / "drymon.db", now=BEGIN) as store:
        for sensor, kind in (("rack-b/wet-cloth", "wet-cloth"), ("backup/pickup", "pickup")):
            store.add_calibration(Calibration(BEGIN - timedelta(days=9999), sensor, kind, {"due": "2011-01-01"}))
    told = processes.run("check", "--home", str(bare)).stdout
    assert "rack-b/wet-cloth: overdue since 2011-01-01" in told
    assert "weigh a wet cloth there again: drymon calibrate airflow rack-b --wet-cloth" in told
    assert "weigh a dip again: drymon calibrate pickup backup" in told


# --- at the terminal ---


def test_the_talk_asks_step_by_step_and_keeps_after_a_yes(bare: Path) -> None:
    typed = "10x60\n4\n\n08:00 412\n08:20 385 g\n\nyes\n"
    done = calibrate(bare, *CLOTH[:3], *GIVEN, typed=typed)
    assert done.returncode == 0, done.stderr
    for part in (
        "into strips a hand wide",
        "Hang nothing over a cable",
        "width x length of one strip, cm: ",
        "mass 2, g: ",
    ):
        assert part in " ".join(done.stdout.split("\n"))
    assert "keep it? (yes or no): " in done.stdout
    assert len(calibrations(bare)) == 1


def test_a_mass_without_a_time_is_of_now_and_too_soon_a_second_one_is_told(bare: Path) -> None:
    typed = "10x60\n4\n\n412\n411\n\nstop\n"
    done = calibrate(bare, *CLOTH[:3], *GIVEN, typed=typed)
    assert done.returncode == 1
    assert "the weighings lie 0 min apart; allowed is 5 to 240 min. Go on with a further mass" in done.stdout


def test_a_slip_is_told_at_once_and_asked_again(bare: Path) -> None:
    typed = "10\n10x60\n0\n4\n\n08:00 x\n08:00 412\n25:00 385\n08:20 385\n\ny\n"
    done = calibrate(bare, *CLOTH[:3], *GIVEN, typed=typed)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("Once more:") == 4


def test_whoever_stops_gets_a_command_that_goes_on_from_there(bare: Path) -> None:
    done = calibrate(bare, *CLOTH[:3], *GIVEN, typed="10x60\n4\n\n08:00 412\n08:20 385\nstop\n")
    assert (done.returncode, (bare / "drymon.db").exists()) == (1, False)
    command = shlex.split(done.stdout[done.stdout.index("drymon calibrate airflow") :])
    assert calibrate(bare, *command[2:]).returncode == 0
    assert len(calibrations(bare)) == 1


# --- a piece ---


def test_a_piece_tells_the_water_of_its_coat(shop: Path) -> None:
    """24 g on 240 cm2, 27 % water."""
    done = calibrate(shop, *TILE)
    assert done.returncode == 0, done.stderr
    assert "backup brings 0.27 kg/m2 of water (0.2 to 0.36)" in done.stdout
    assert "24 g of slurry on 240 cm2: 1 kg/m2, of which 27 % is water (73 % of solids)" in done.stdout
    assert re.search(r"backup \(coat 4\) in this air: likely dry after [0-9.]+ h, sure by", done.stdout)
    (kept,) = calibrations(shop)
    assert (kept.sensor, kept.kind) == ("backup/pickup", "pickup")
    assert kept.document["water"] == pytest.approx(0.27)


def test_each_further_piece_makes_it_surer(bare: Path) -> None:
    waits = []
    for _ in range(3):
        told = calibrate(bare, *TILE).stdout
        before, after = re.search(r"sure by ([0-9.]+) h; before: .*sure by ([0-9.]+) h", told).groups()[::-1]
        waits.append((float(before), float(after)))
    assert waits[0][1] < waits[0][0]
    assert waits[2][1] <= waits[1][1] <= waits[0][1]
    assert waits[1][0] == waits[0][1]
    assert "holds on" in calibrate(bare, "undo", "backup/pickup").stdout
    assert len(calibrations(bare)) == 2


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["pickup", "backups", *TILE[2:]], 2, "coat: received 'backups'; in room.toml are backup, prime-first"),
        ([*TILE[:4]], 2, "after: received none; needed are the masses"),
        ([*TILE[:6]], 2, "size, area: needed is one of them"),
        ([*TILE, "--area", "240"], 2, "size, area: needed is one of them"),
        ([*TILE, "--water", "27"], 2, "slurry: allowed is its share of solids"),
        ([*TILE[:8], "--gravity", "1.65"], 2, "or gravity with flour"),
        ([*TILE[:8], "--gravity", "1.65", "--flour", "mud"], 2, "flour: received 'mud'; allowed are fused-silica"),
        ([*TILE[:8], "--gravity", "2.9", "--flour", "fused-silica"], 2, "a slurry of fused-silica has between 1.17"),
        ([*TILE, "--after-stucco"], 1, "nobody knows how much of it is stucco"),
        ([*TILE, "--number", "0"], 2, "number: received '0'"),
    ],
)  # fmt: skip
def test_what_cannot_be_said_of_a_piece_is_told(bare: Path, words: list[str], code: int, told: str) -> None:
    done = calibrate(bare, *words)
    assert (done.returncode, told in done.stderr) == (code, True), done.stderr
    assert not (bare / "drymon.db").exists()


def test_the_talk_about_a_piece_ends_in_a_question(bare: Path) -> None:
    typed = "10x10x1\n\n1.65\nmud\nfused-silica\n512\n536\nno\n512\n536\nyes\nyes\n"
    done = calibrate(bare, "pickup", "backup", typed=typed)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Gloves and goggles" in done.stdout
    assert "nobody knows how much of it is stucco" in " ".join(done.stdout.split())
    assert "28 % is water (specific gravity 1.65, fused-silica)" in done.stdout
    assert len(calibrations(bare)) == 1


def test_a_fitted_model_is_told_to_go_by_its_runs(bare: Path) -> None:
    from dataclasses import replace

    from drymon.messages.coat_models import load_models, write_model

    write_model(replace(load_models(None)["backup"], runs=12, run_ids=("a",)), bare / "models" / "backup.toml")
    assert "backup has weighed runs and goes by them: this is kept" in calibrate(bare, *TILE).stdout
    assert "an open tree of prime-first (coat 1)" in calibrate(bare, *CLOTH, *MASSES, *GIVEN).stdout
