"""An invented room, and the published tables."""

import csv
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drymon.messages.config import parse_home
from drymon.messages.message import Message

PUBLISHED = Path(__file__).parents[1] / "published"

ROOM = """
[room]
name = "shop"
[[rack]]
name = "rack-a"
[[rack]]
name = "rack-b"
[[cell]]
name = "cell-1"
rack = "rack-a"
[[source]]
topic = "workshop/thermo3"
field = "temp_f"
place = "rack-b"
quantity = "temperature"
unit = "degF"
[[source]]
topic = "workshop/station"
field = "air.rh"
place = "room"
quantity = "humidity"
[[source]]
topic = "workshop/station"
field = "air.t"
place = "room"
quantity = "temperature"
sensor = "station"
[[source]]
topic = "workshop/plain"
place = "room"
quantity = "pressure"
unit = "hPa"
[[coat]]
name = "backup"
family = "backup"
[[recipe]]
name = "standard"
coats = ["backup"]
"""

NOON = datetime(2031, 3, 3, 12, tzinfo=UTC)


@pytest.fixture(scope="session")
def published():
    """Rows of a published table by its name."""

    def rows(name):
        with (PUBLISHED / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    return rows


@pytest.fixture(scope="session")
def config():
    """The invented room."""
    return parse_home(ROOM, Path("home"))


@pytest.fixture(scope="session")
def heard():
    """A message that arrives at noon."""

    def message(topic, payload, **more):
        raw = payload if isinstance(payload, bytes) else payload.encode()
        return Message(NOON, topic, raw, **more)

    return message
