"""What the store's tests share: an invented room's messages, in a real file and on a real server."""

import inspect
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.messages.settings import Where
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


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Every test of a store runs on both engines, unless it asks for the `path` of a file, or is marked as of one."""
    if "engine" in metafunc.fixturenames:
        of_a_file = "path" in inspect.signature(metafunc.function).parameters
        of_a_file = of_a_file or metafunc.definition.get_closest_marker("of_a_file") is not None
        metafunc.parametrize("engine", ["sqlite"] if of_a_file else ["sqlite", "postgres"])


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "drymon.db"


@pytest.fixture(scope="session")
def anew(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Where]:
    """Another place for a room's record on that engine each time; not made yet."""

    def place(engine: str) -> Where:
        if engine == "postgres":
            return request.getfixturevalue("postgres").room()
        return tmp_path_factory.mktemp("room") / "drymon.db"

    return place


@pytest.fixture
def where(engine: str, request: pytest.FixtureRequest, tmp_path: Path) -> Where:
    """Where a room's record is kept; not made yet."""
    return tmp_path / "drymon.db" if engine == "sqlite" else request.getfixturevalue("postgres").room()


@pytest.fixture
def store(where: Where) -> Iterator[Store]:
    with Store.open(where) as opened:
        yield opened


@pytest.fixture
def reopened(where: Where, store: Store) -> Callable[[], Store]:
    """Close the store and open it again."""

    def again() -> Store:
        store.close()
        return Store.open(where)

    return again
