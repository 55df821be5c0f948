"""After a fault of ours: what is kept, what is said of it, and that nothing of it lasts."""

import json
from collections.abc import Callable, Iterable, Iterator
from datetime import timedelta
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from drymon.errors import StoreError
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service import road
from drymon.service.pipeline import Pipeline
from drymon.service.road import Road
from drymon.service.suspects import FILE, TRIES, Suspects
from drymon.shop.air.sensors import Doubted
from drymon.shop.facts.reading import Reading
from drymon.shop.fold.room import Room
from drymon.store.store import Store
from tests.service.conftest import make_home
from tests.service.test_road import BEGIN, dip, humidity, value, values

PAUSED = "-" * 32
SAID = "drymon/shop/out/tree/t-1"
Serve = Callable[[], Road]


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return make_home(tmp_path / "home")


@pytest.fixture
def store(home: Path) -> Iterator[Store]:
    with Store.open(home / "drymon.db") as opened:
        yield opened


@pytest.fixture
def served(home: Path, store: Store, monkeypatch: pytest.MonkeyPatch) -> Iterator[Road]:
    monkeypatch.setattr(road, "TRY_AGAIN_S", 0.01)
    serving = Road(load_home(home), {}, store, Event())
    yield serving
    serving.close()


@pytest.fixture
def stumbling(monkeypatch: pytest.MonkeyPatch) -> None:
    """A room that stumbles, after it has taken it in, over the reading number 3."""
    take = Room.tell

    def stumble(room: Room, items: Iterable[object]) -> list[Doubted]:
        facts = list(items)
        doubted = take(room, facts)
        if len(facts) == 1 and isinstance(facts[0], Reading) and facts[0].value == value(3):
            raise ZeroDivisionError
        return doubted

    monkeypatch.setattr(Room, "tell", stumble)


def working_on(home: Path) -> str:
    return (home / FILE).read_text(encoding="ascii").splitlines()[0]


@pytest.mark.usefixtures("stumbling")
def test_a_room_that_has_stumbled_is_made_anew_and_no_message_is_a_suspect(
    served: Road, home: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it had taken in half-way is forgotten with it. Whoever dies while it is made died over no message."""
    first, noted = served.pipeline, []
    resume = Pipeline.resume

    def watched(pipeline: Pipeline) -> None:
        noted.append(working_on(home))
        resume(pipeline)

    monkeypatch.setattr(Pipeline, "resume", watched)
    assert served.batch([humidity(number) for number in range(6)], None) is not None
    assert served.pipeline is not first
    assert noted == [PAUSED, PAUSED]  # after all together, and after the third alone
    assert values(store) == [value(number) for number in range(6)]
    assert served.batch([humidity(6)], None) is not None
    assert working_on(home) == PAUSED
    assert not Suspects(home).condemned(humidity(3))


@pytest.mark.usefixtures("stumbling")
def test_what_cannot_even_be_kept_is_recorded_with_what_went_wrong(
    served: Road, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumbling(*_: object) -> None:
        raise KeyError("unit")

    monkeypatch.setattr(Pipeline, "keep", stumbling)
    assert served.batch([humidity(number) for number in range(2, 5)], None) is not None
    assert values(store) == [value(2), value(4)]
    (refused,) = store.latest_refused()
    assert (refused.topic, refused.reason) == (humidity(3).topic, "could not be read: KeyError('unit')")
    assert len(list(store.messages())) == 3


@pytest.mark.usefixtures("stumbling")
def test_what_cannot_be_kept_for_a_full_disk_is_tried_until_it_is(
    served: Road, store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    keep, refusals = Pipeline.keep, iter([StoreError("the disk is full")] * 2)

    def full(pipeline: Pipeline, message: Message) -> None:
        for error in refusals:
            raise error
        keep(pipeline, message)

    monkeypatch.setattr(Pipeline, "keep", full)
    assert served.batch([humidity(number) for number in range(2, 5)], None) is not None
    assert values(store) == [value(2), value(3), value(4)]
    assert caplog.text.count("the disk is full; trying again") == 2


def test_a_record_that_cannot_be_read_for_its_disk_is_waited_for(
    served: Road, store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    batch, resume = Pipeline.batch, Pipeline.resume
    of_batch, of_record = iter([StoreError("no room")] * 2), iter([StoreError("no answer")])

    def refusing(pipeline: Pipeline, *how: object) -> list[Message]:
        for error in of_batch:
            raise error
        return batch(pipeline, *how)

    def unreadable(pipeline: Pipeline) -> None:
        for error in of_record:
            raise error
        resume(pipeline)

    monkeypatch.setattr(Pipeline, "batch", refusing)
    monkeypatch.setattr(Pipeline, "resume", unreadable)
    assert served.batch([humidity(1)], None) is not None
    assert values(store) == [value(1)]
    told = [record.getMessage() for record in caplog.records]
    assert told == ["no room; trying again", "no answer; trying again", "no room; trying again"]


def test_what_is_set_aside_is_told_with_its_beginning(
    home: Path, store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    """Forty bytes of it in the alarm; where it is and how long it is in the log as well."""
    payload = b"x" * 39 + b"yz"
    message = Message(BEGIN, "drymon/shop/rack-a/humidity", payload)
    for _ in range(TRIES):
        life = Suspects(home)
        life.begin(message)
        life.close()
    served = Road(load_home(home), {}, store, Event())
    assert served.batch([message], None) == []
    (reported,) = served.take_conditions()
    assert f"it says '{'x' * 39}y' (41 bytes)" in reported.what
    assert "set aside: drymon/shop/rack-a/humidity, 41 bytes" in caplog.text


def test_whoever_is_suspected_shares_its_transaction_with_nobody(
    home: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So a second death by chance has a moment's time, not a backlog's."""
    life = Suspects(home)
    life.begin(humidity(2))
    life.close()
    served, together = Road(load_home(home), {}, store, Event()), []
    batch = Pipeline.batch

    def watched(pipeline: Pipeline, messages: Iterable[Message], *how: Any) -> list[Message]:
        some = list(messages)
        together.append([float(message.payload) for message in some])
        return batch(pipeline, some, *how)

    monkeypatch.setattr(Pipeline, "batch", watched)
    assert served.batch([humidity(number) for number in range(5)], None) is not None
    assert together == [[value(0), value(1)], [value(2)], [value(3), value(4)]]
    assert served.batch([humidity(2), humidity(3)], None) is not None
    assert together[3:] == [[value(2), value(3)]], "it came through, and is no suspect"


def test_who_does_not_ask_gets_no_image_out_of_turn_and_no_verdict(served: Road, store: Store) -> None:
    def images() -> int:
        served.keep_image()
        return int(store._row("SELECT count(*) FROM image")[0])

    said = served.batch([humidity(1), dip()], BEGIN + timedelta(minutes=1))
    assert said is not None
    assert [json.loads(one.payload)["state"] for one in said if one.topic == SAID]
    assert images() == 1
    said = served.batch([], BEGIN + timedelta(minutes=1.5))
    assert said is not None
    assert [one for one in said if one.topic == SAID] == []
    assert images() == 1
