"""The road message by message, without a broker: what is written, and when it counts."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drymon.drying.quantities import Quantity
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service.pipeline import Pipeline
from drymon.store import Calibration, Store
from tests.service.conftest import make_home

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)


@pytest.fixture
def pipeline(tmp_path: Path) -> Iterator[Pipeline]:
    home = make_home(tmp_path / "home")
    with Store.open(home / "drymon.db") as store:
        yield Pipeline(load_home(home), {}, store)


def at(minute: float) -> datetime:
    return BEGIN + timedelta(minutes=minute)


def shown(pipeline: Pipeline, minute: float, payload: str) -> float:
    """What the room makes of a temperature that rack-a shows at that minute."""
    pipeline.batch([Message(at(minute), "drymon/shop/rack-a/temperature", payload.encode())])
    last = pipeline.room.book.tracks["rack-a", Quantity.TEMPERATURE, ""].last
    assert last is not None
    return last.value


def test_a_calibration_counts_from_the_next_reading_on_without_a_restart(pipeline: Pipeline) -> None:
    """A thermometer 1 K high: 23 degC shown are 22 degC; what is on record stays as the sensor said it."""
    assert shown(pipeline, 0, "23") == 23.0
    document = {"gain": 1.0, "offset": -1.0}
    pipeline.store.add_calibration(Calibration(at(1), "rack-a/temperature", "temperature", document))
    assert shown(pipeline, 2, "23") == 22.0
    assert [reading.value for reading in pipeline.store.readings()] == [23.0, 23.0]
