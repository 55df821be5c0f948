"""What was weighed of racks and coats, in the service: taken up at once, kept through a start, undone, replayed."""

import json
from collections.abc import Iterable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service.pipeline import Pipeline
from drymon.service.room_images import made
from drymon.store import Calibration, Store
from drymon.store.calibrations import TAKEN_BACK_BY
from tests.service.random_streams import BEGIN

ROOM = """
[room]
name = "shop"
[[rack]]
name = "rack-a"
[[coat]]
name = "backup"
family = "backup"
"""
SLOW = Calibration(BEGIN, "rack-a/wet-cloth", "wet-cloth", {"low": 0.2, "high": 0.3})
THIN = Calibration(BEGIN, "backup/pickup", "pickup", {"water": 0.2, "own_sd": 0.1, "shared_sd": 0.1})


def minutes(first: int, count: int) -> Iterator[Message]:
    """Steady air each minute, and a dip of t-1 in the first."""
    for minute in range(first, first + count):
        moment = BEGIN + timedelta(minutes=minute)
        for quantity, value in (("temperature", 22), ("humidity", 50)):
            yield Message(moment, f"drymon/shop/rack-a/{quantity}", str(value).encode())
        if minute == 0:
            told = {"tree": "t-1", "coat": "backup", "rack": "rack-a", "shelter": "open"}
            yield Message(moment, "drymon/shop/log/dip", json.dumps(told).encode())


class Homes:
    """Homes of one room."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._count = folder, 0
        (folder / "room.toml").write_text(ROOM, "utf-8")

    def new(self, *calibrations: Calibration) -> Pipeline:
        self._count += 1
        store = Store.open(self._folder / f"{self._count}.db")
        for one in calibrations:
            store.add_calibration(one)
        return self.again(store)

    def again(self, store: Store) -> Pipeline:
        pipeline = Pipeline(load_home(self._folder), load_models(None), store)
        pipeline.resume()
        return pipeline


@pytest.fixture
def homes(tmp_path: Path) -> Homes:
    return Homes(tmp_path)


def tree(said: Iterable[Message]) -> dict[str, object]:
    """The last that was said of the tree."""
    found: dict[str, object] = [json.loads(one.payload) for one in said if one.topic.endswith("/out/tree/t-1")][-1]
    return found


def reason(document: dict[str, object], code: str) -> str:
    reasons = document["reasons"]
    assert isinstance(reasons, list)
    return next((str(one["text"]) for one in reasons if one["code"] == code), "")


def test_what_hangs_is_told_anew_in_the_next_batch_and_again_when_it_is_taken_back(homes: Homes) -> None:
    """The next batch need have no message in it: a second later the service says so."""
    pipeline = homes.new()
    said = pipeline.batch(minutes(0, 30))
    before = tree(said)
    pipeline.store.add_calibration(SLOW)
    now = BEGIN + timedelta(minutes=29, seconds=5)
    told = tree(pipeline.batch([], now))
    assert "by its wet cloth it dries like 0.2 to 0.3 m/s" in reason(told, "airflow-assumed")
    assert str(told["dry_at"]) > str(before["dry_at"])
    pipeline.store.add_calibration(Calibration(BEGIN, SLOW.sensor, SLOW.kind, {TAKEN_BACK_BY: "Ana"}))
    after = tree(pipeline.batch([], now + timedelta(seconds=5)))
    assert reason(after, "airflow-assumed") == reason(before, "airflow-assumed")
    assert str(after["dry_at"]) < str(told["dry_at"])
    pipeline.store.close()


def test_the_water_of_a_coat_is_taken_up_too(homes: Homes) -> None:
    pipeline = homes.new()
    before = tree(pipeline.batch(minutes(0, 30)))
    pipeline.store.add_calibration(THIN)
    told = tree(pipeline.batch([], BEGIN + timedelta(minutes=29, seconds=5)))
    assert str(told["dry_at"]) < str(before["dry_at"])
    pipeline.store.close()


def test_a_start_goes_on_from_an_image_to_the_letter(homes: Homes) -> None:
    whole, cut = (homes.new(SLOW, THIN) for _ in range(2))
    for pipeline in (whole, cut):
        pipeline.batch(minutes(0, 60))
    assert cut.keep_image()
    for pipeline in (whole, cut):
        pipeline.batch(minutes(60, 10))
    again = homes.again(cut.store)
    images = [made(pipeline.room) for pipeline in (whole, again)]
    assert images[0].document == images[1].document
    assert images[0].heap == images[1].heap
    assert again.batch(minutes(70, 30)) == whole.batch(minutes(70, 30))
    for pipeline in (whole, again):
        pipeline.store.close()


def test_a_room_folded_anew_knows_them(homes: Homes) -> None:
    """No image: the record alone."""
    pipeline = homes.new(SLOW, THIN)
    now = BEGIN + timedelta(minutes=60)
    pipeline.batch(minutes(0, 60))
    said = tree(pipeline.batch([], now, anew=True))
    told = tree(homes.again(pipeline.store).batch([], now, anew=True))
    assert reason(told, "airflow-assumed") == reason(said, "airflow-assumed") != ""
    assert told["dryness"] == said["dryness"]
    pipeline.store.close()
