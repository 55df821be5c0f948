"""What the store's tests share: an invented room's messages, in a real file."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.shop.facts.outcome import Bounds, Reason, State, Verdict, When
from drymon.shop.facts.reading import Reading
from drymon.store import Store

START = datetime(2031, 3, 3, 6, tzinfo=UTC)


def at(seconds: float) -> datetime:
    return START + timedelta(seconds=seconds)


def reading(seconds: float = 0, value: float = 21.5, **other: Any) -> Reading:
    given = {"place": "rack-a", "quantity": Quantity.TEMPERATURE, "arrived": at(seconds), **other}
    return Reading(time=at(seconds), value=value, **given)


def message(seconds: float = 0, payload: bytes = b"21.5", **other: Any) -> Message:
    topic = other.pop("topic", "drymon/shop/rack-a/temperature")
    return Message(at(seconds), topic, payload, **other)


def verdict(seconds: float = 0, tree: str = "t-7", state: State = State.DRYING, **other: Any) -> Verdict:
    given: dict[str, Any] = {
        **{"rack": "rack-a", "coat": "backup", "number": 4, "dipped_at": START, "redip_by": None},
        **{"dryness": Bounds(0.55, 0.61, 0.68), "dry_at": When(at(900), at(1000.25), None)},
        "reasons": (Reason("wet", "61 % of the water is gone"), Reason("airflow-assumed", "no anemometer")),
    }
    return Verdict(at(seconds), at(seconds + 600), tree=tree, state=state, **{**given, **other})


@pytest.fixture
def make() -> SimpleNamespace:
    """Makers of readings, messages and verdicts, seconds after 2031-03-03T06:00Z."""
    return SimpleNamespace(at=at, reading=reading, message=message, verdict=verdict)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "drymon.db"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with Store.open(path) as opened:
        yield opened


@pytest.fixture
def reopened(path: Path, store: Store) -> Callable[[], Store]:
    """Close the store and open it again."""

    def again() -> Store:
        store.close()
        return Store.open(path)

    return again
