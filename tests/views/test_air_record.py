"""One rule for a rack's air: what the room dried its coats with is what fits, pictures, the page and reports show."""

import json
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import fmean

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon.drying.quantities import Quantity
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.settings import HomeConfig
from drymon.readback.air_record import AirRecord
from drymon.readback.gather import rack_air
from drymon.readback.weighed_runs import weighed_runs
from drymon.service.pipeline import Pipeline
from drymon.shop.air.combined import over_time
from drymon.store import Calibration, Store
from drymon.views.page.long_air import long_air
from drymon.views.page.tree_view import tree_record
from drymon.views.report.record import shell_record

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
ROOM = """
[room]
name = "shop"
[[rack]]
name = "rack-a"
[[coat]]
name = "backup"
family = "backup"
"""
HOURS = 8
HUMIDITIES = {"low": 50.0, "middle": 53.0, "broken": 80.0}
"""At the rack; the middle one is calibrated by -2 points, so that the truth is 51, the mean 60.3."""


def said(minute: float, topic: str, content: object) -> Message:
    return Message(BEGIN + minute * MINUTE, f"drymon/shop/{topic}", json.dumps(content).encode())


def messages(every_min: int) -> Iterator[Message]:
    """Sensors that speak one after another, each once in so many minutes, and the room's own every minute."""
    dip = {"tree": "t-7", "rack": "rack-a", "coat": "backup", "shelter": "open", "number": 1}
    for minute in range(HOURS * 60):
        if minute == 30:
            yield said(minute, "log/dip", dip)
        if minute > 30 and minute % 60 == 0:
            yield said(minute, "log/weigh", {"tree": "t-7", "mass": 4.0 + 0.2 / minute, "unit": "kg"})
        yield said(minute + 0.1, "rack-a/temperature", 21.0 + minute % 2 / 10)
        yield said(minute + 0.2, "room/humidity", 35.0 + minute % 3 / 10)
        for place, (sensor, value) in enumerate(HUMIDITIES.items()):
            if (minute - place) % every_min == 0:
                yield said(minute + 0.3 + place / 100, f"rack-a/humidity/{sensor}", value)


@pytest.fixture(scope="module", params=[1, 5], ids=lambda every: f"every {every} min")
def told(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[HomeConfig, Store, Pipeline]]:
    home = tmp_path_factory.mktemp("home")
    (home / "room.toml").write_text(ROOM, encoding="utf-8")
    config = load_home(home)
    with Store.open(home / "drymon.db") as store:
        document = {"gain": 1.0, "offset": -2.0}
        store.add_calibration(Calibration(BEGIN - MINUTE, "rack-a/humidity/middle", "humidity", document))
        pipeline = Pipeline(config, {}, store)
        pipeline.batch(messages(request.param))
        store.roll_up(BEGIN + timedelta(hours=5))
        yield config, store, pipeline


def live(told: tuple[HomeConfig, Store, Pipeline]) -> list[float]:
    first = int(BEGIN.timestamp() // 60)
    return [told[2].room.air["rack-a"].minute(first + minute).humidity_pct for minute in range(60, 450)]


def fitted(told: tuple[HomeConfig, Store, Pipeline]) -> list[float]:
    (run,) = weighed_runs(told[0], told[1])
    assert run.air is not None
    return list(run.air.humidity_pct)[30:]


def drawn(told: tuple[HomeConfig, Store, Pipeline]) -> list[float]:
    config, store, _ = told
    rack = config.room.racks[0]
    air = rack_air(store, config.room, rack, BEGIN + 60 * MINUTE, BEGIN + 450 * MINUTE, [Quantity.HUMIDITY])
    return [value for _, value in air[Quantity.HUMIDITY]]


def drawn_long(told: tuple[HomeConfig, Store, Pipeline]) -> list[float]:
    config, store, _ = told
    air = long_air(store, config.room, config.room.racks[0], BEGIN + 60 * MINUTE, BEGIN + 450 * MINUTE)
    return [value for bucket in air.buckets[Quantity.HUMIDITY] for value in (bucket.low, bucket.mean, bucket.high)]


def shown(told: tuple[HomeConfig, Store, Pipeline]) -> list[float | None]:
    record = tree_record(told[1], told[0].room, "t-7", BEGIN + timedelta(hours=HOURS))
    return [coat.air.humidity_pct for coat in record.coats]


def reported(told: tuple[HomeConfig, Store, Pipeline]) -> list[float]:
    (coat,) = shell_record(told[1], told[0].room, {}, "t-7").coats
    seen = coat.air[Quantity.HUMIDITY]
    return [seen.low, seen.mean, seen.high]


@pytest.mark.parametrize("reader", [live, fitted, drawn, drawn_long, shown, reported])
def test_the_median_of_the_calibrated_sensors_is_the_racks_air(
    told: tuple[HomeConfig, Store, Pipeline], reader: Callable[[tuple[HomeConfig, Store, Pipeline]], list[float]]
) -> None:
    """Of 50, 51 and 80 %RH; none of them is the room's 35."""
    values = reader(told)
    assert len(values) > 0
    assert values == pytest.approx([51.0] * len(values))


def test_where_the_rack_falls_silent_the_rooms_sensor_counts_when_its_last_word_is_stale(tmp_path: Path) -> None:
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    config = load_home(tmp_path)
    with Store.open(tmp_path / "drymon.db") as store:
        pipeline = Pipeline(config, {}, store)
        pipeline.batch(said(minute + 0.5, "room/humidity", 35.0) for minute in range(20))
        pipeline.batch(said(minute + 0.6, "rack-a/humidity", 45.0) for minute in range(20, 23))
        pipeline.batch(said(minute + 0.5, "room/humidity", 35.0) for minute in range(23, 60))
        buckets = AirRecord(store, config.room).of_rack("rack-a", Quantity.HUMIDITY, BEGIN, BEGIN + 60 * MINUTE, MINUTE)
        first = int(BEGIN.timestamp() // 60)
        book, places = pipeline.room.book, config.room.racks[0].places
        heard = [book.value(places, Quantity.HUMIDITY, first + minute, 10) for minute in range(60)]
    assert [bucket.mean for bucket in buckets] == heard
    assert heard.count(45.0) == 3 + 9, "ten minutes is the usual `stale_after_min`"


@pytest.mark.parametrize(("step_min", "rolled"), [(5, False), (5, True), (60, True)])
def test_a_step_in_which_a_sensor_was_calibrated_speaks_for_what_it_said_since(
    tmp_path: Path, step_min: int, rolled: bool
) -> None:
    """23.7 each minute up to 06:42; calibrated there by -2.45, so that it says 21.25 from then on."""
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    config = load_home(tmp_path)
    with Store.open(tmp_path / "drymon.db") as store:
        document = {"gain": 1.0, "offset": -2.45}
        store.add_calibration(Calibration(BEGIN + 42 * MINUTE, "rack-a/temperature", "temperature", document))
        Pipeline(config, {}, store).batch(said(minute, "rack-a/temperature", 23.7) for minute in range(45))
        if rolled:
            store.roll_up(BEGIN + timedelta(days=2))
        step, end = step_min * MINUTE, BEGIN + 60 * MINUTE
        buckets = AirRecord(store, config.room).of_rack("rack-a", Quantity.TEMPERATURE, BEGIN, end, step)
        last = buckets[-1]
    assert [last.low, last.mean, last.high] == pytest.approx([21.25] * 3)
    assert last.count == 3
    assert [bucket.mean for bucket in buckets[:-1]] == pytest.approx([23.7] * (len(buckets) - 1))


SENSOR = st.dictionaries(st.integers(0, 40), st.floats(-5, 5), max_size=20)


@given(st.lists(st.lists(SENSOR, max_size=3), min_size=1, max_size=3), st.integers(1, 12))
def test_what_counts_is_the_middle_of_the_fresh_words_of_the_first_place(
    places: list[list[Mapping[int, float]]], hold: int
) -> None:
    """By looking at every minute of every sensor; the middle by sorting."""
    words = [[sorted((BEGIN + m * MINUTE, v) for m, v in sensor.items()) for sensor in place] for place in places]
    instants = [BEGIN + minute * MINUTE for minute in range(60)]
    found = dict(over_time(instants, words, hold * MINUTE, lambda fresh: fmean(_middle(list(fresh)))))
    for minute, instant in enumerate(instants):
        wanted = None
        for place in reversed(places):
            fresh = [[s[m] for m in range(minute - hold + 1, minute + 1) if m in s][-1:] for s in place]
            if any(fresh):
                wanted = fmean(_middle([value for newest in fresh for value in newest]))
        assert found.get(instant) == wanted


def _middle(values: list[float]) -> list[float]:
    ordered = sorted(values)
    while len(ordered) > 2:
        ordered = ordered[1:-1]
    return ordered


def drying_in_drifted_air(hours: int, drifted: str) -> Iterator[Message]:
    """Two places, a reading each ten minutes; one sensor reads six points too dry from the third day on. A tree is
    dipped and weighed before, and again meanwhile.
    """
    for minute in range(0, 60 * hours, 10):
        if minute in (60 * 24, 60 * 60):
            number = 1 + (minute > 60 * 24)
            yield said(minute, "log/dip", {"tree": "t-7", "rack": "rack-a", "coat": "backup", "number": number})
        since = minute - 60 * (24 if minute < 60 * 40 else 60)
        if since > 0 and minute % 60 == 30:
            yield said(minute, "log/weigh", {"tree": "t-7", "mass": 4.0 + 0.2 * 0.5 ** (since / 90.0), "unit": "kg"})
        for place in ("rack-a", "room"):
            humidity = 39.0 if place == drifted and minute >= 60 * 48 else 45.0
            yield said(minute + 0.1, f"{place}/temperature", 21.0 + minute // 10 % 2 / 10)
            yield said(minute + 0.2, f"{place}/humidity", humidity)


@pytest.mark.parametrize(
    ("drifted", "problems"), [("rack-a", ["", "the humidity sensor of rack-a had drifted"]), ("room", ["", ""])]
)
def test_a_run_in_air_of_a_drifted_sensor_teaches_nothing(tmp_path: Path, drifted: str, problems: list[str]) -> None:
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    config = load_home(tmp_path)
    with Store.open(tmp_path / "drymon.db") as store:
        Pipeline(config, {}, store).batch(drying_in_drifted_air(70, drifted))
        assert [run.problem for run in weighed_runs(config, store)] == problems
        shown = AirRecord(store, config.room).of_rack(
            "rack-a", Quantity.HUMIDITY, BEGIN + timedelta(hours=60), BEGIN + timedelta(hours=70), timedelta(hours=1)
        )
        assert {round(hour.mean, 6) for hour in shown} == {39.0 if drifted == "rack-a" else 45.0}, "as measured"
