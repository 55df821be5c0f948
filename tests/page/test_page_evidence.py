"""The page of what verdicts rest on, and a coat's own: the real application on a real record, without a network."""

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from drymon.drying.quantities import Quantity
from drymon.messages.coat_models import load_models, write_model
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service.clock import SystemClock
from drymon.shop.facts.outcome import SensorStatus
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.sensor_state import SensorState
from drymon.store import Calibration, Store
from drymon.views.page.evidence_views import sensor_views
from drymon.web.server import PageServer

NOW = datetime(2031, 6, 1, 12, tzinfo=UTC)
ROOM = """
[room]
name = "shop"
timezone = "Europe/Lisbon"
[[rack]]
name = "rack-a"
[[coat]]
name = "backup"
family = "backup"
[[coat]]
name = "backup-fibre"
label = "fibre coat"
family = "backup"
"""
Get = Callable[[str], tuple[int, str]]
ERROR = {"median_pct": 3.85, "p90_pct": 7.58, "coverage": 0.917, "width": 0.294, "runs": 24.0}


class Noon(SystemClock):
    def wall(self) -> datetime:
        return NOW


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "room.toml").write_text(ROOM)
    reading = Reading(NOW, NOW, "rack-a", Quantity.HUMIDITY, 48.0)
    with Store.open(tmp_path / "drymon.db", now=NOW) as store:
        store.record(Message(NOW, "drymon/shop/rack-a/humidity", b"48"), [reading])
    return tmp_path


def getter(home: Path) -> Get:
    def ask(_: Any) -> Any:
        raise AssertionError("looking must not write")

    page = PageServer(load_home(home), home / "drymon.db", ask, lambda: True, Noon()).make_app().test_client()

    def get(path: str) -> tuple[int, str]:
        answer = page.get(path, headers={"Host": "127.0.0.1:8480"})
        return answer.status_code, " ".join(unescape(re.sub(r"<[^>]+>", " ", answer.get_data(as_text=True))).split())

    return get


def calibrate(home: Path, **document: object) -> None:
    with Store.open(home / "drymon.db", now=NOW) as store:
        told = {"gain": 1.0, "offset": 0.5, "verdict": "good", **document}
        store.add_calibration(Calibration(NOW - timedelta(days=100), "rack-a/humidity", "humidity", told))


@pytest.mark.parametrize(
    ("document", "said"),
    [
        ({"due": "2031-08-01"}, "calibrated 2031-02-21, due 2031-08-01"),
        ({"due": "2031-06-01"}, "calibrated 2031-02-21, due 2031-06-01"),
        ({"due": "2031-05-31"}, "calibration was due 2031-05-31"),
        ({}, "calibrated 2031-02-21, due 2032-02-21"),
    ],
    ids=["in time", "its last day", "over", "none said"],
)
def test_a_calibrated_sensor_is_listed_with_the_day_it_is_due(home: Path, document: Any, said: str) -> None:
    """100 days before 1 June 2031 is 21 February."""
    calibrate(home, **document)
    status, text = getter(home)("/evidence")
    assert status == 200
    assert said in text


def test_a_sensor_that_was_never_calibrated_says_so(home: Path) -> None:
    assert "never held against a reference" in getter(home)("/evidence")[1]


def test_the_overdue_come_before_the_others() -> None:
    def status(place: str) -> SensorStatus:
        return SensorStatus(place, "humidity", "", NOW, 50.0, "%RH", SensorState.OK)

    kept = [
        Calibration(NOW, f"{place}/humidity", "humidity", {"due": due})
        for place, due in (("in-time", "2031-07-01"), ("over", "2031-01-01"))
    ]
    views = sensor_views([status("in-time"), status("over")], kept, date(2031, 6, 1))
    assert [view.status.place for view in views] == ["over", "in-time"]


def fitted(home: Path, runs: int, error: Mapping[str, float]) -> None:
    start = load_models(None)["backup"]
    (home / "models").mkdir(exist_ok=True)
    seen = {"temperature_c": (16.51, 25.7), "humidity_pct": (30.2, 73.1), "airflow_m_per_s": (0.42, 1.26)}
    model = replace(start, runs=runs, run_ids=tuple(f"t.{n}" for n in range(runs)), seen=seen, error=error)
    write_model(model, home / "models" / "backup.toml")


def test_a_usual_wait_is_said_where_a_coat_goes_by_it_and_no_more_once_it_has_runs(home: Path) -> None:
    (home / "room.toml").write_text(ROOM.replace('family = "backup"', 'family = "backup"\nusual_wait_h = 3.5'))
    ask = getter(home)
    assert ask("/evidence")[1].count("The usual wait of 3.5 h is counted.") == 2
    assert "The usual wait of 3.5 h is counted: bounds are narrower" in ask("/coat/backup-fibre")[1]
    fitted(home, 24, ERROR)
    again = getter(home)
    assert "The usual wait" not in again("/coat/backup")[1]
    assert again("/evidence")[1].count("The usual wait of 3.5 h is counted.") == 1


def test_a_coat_says_its_errors_each_in_its_own_unit(home: Path) -> None:
    fitted(home, 24, ERROR)
    status, text = getter(home)("/coat/backup")
    assert status == 200
    assert (
        "Forecasts of 24 runs left out: half within 4 % of the drying time, nine in ten within 8 %; 92 % came within "
        "the bounds that promise 90 %; usually these bounds lie 29 % of that time apart" in text
    )
    assert "24 %" not in text


def test_a_coat_says_what_it_speaks_for_and_not_that_it_was_seen(home: Path) -> None:
    fitted(home, 24, ERROR)
    text = getter(home)("/coat/backup")[1]
    assert "Speaks for temperature 16.5 to 25.7 °C" in text
    assert "Speaks for air speed 0.42 to 1.3 m/s" in text
    assert "where no anemometer reported, the air speed is the assumed one" in text
    assert "Seen" not in text


@pytest.mark.parametrize("path", ["/coat/backup", "/evidence"])
def test_few_left_out_runs_give_no_quantiles(home: Path, path: str) -> None:
    fitted(home, 2, ERROR | {"runs": 1.0})
    text = getter(home)(path)[1]
    assert "ried on 1 run only: too few to say how far off it is" in text
    assert "half" not in text
    assert "2 weighed runs" in text


def test_a_coat_without_a_model_of_its_own_shows_the_one_it_goes_by(home: Path) -> None:
    status, text = getter(home)("/coat/backup-fibre")
    assert status == 200
    assert "fibre coat" in text
    assert "the model of backup: this coat has none of its own" in text
    assert "goes by the model of backup" in getter(home)("/evidence")[1]
    assert "No model." not in getter(home)("/evidence")[1]


def test_what_another_coats_runs_told_is_not_said_of_this_one(home: Path) -> None:
    fitted(home, 24, ERROR)
    text = getter(home)("/coat/backup-fibre")[1]
    assert "runs left out" not in text
    assert "Those of the model of backup, another kind of coat" in text
    assert "Where the numbers come from backup: Starting model" in text


def test_a_coat_that_nobody_knows_is_not_found(home: Path) -> None:
    assert getter(home)("/coat/mud")[0] == 404
