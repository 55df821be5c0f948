"""Letters at their edges: what is told of a way, what is never taken for delivered, and how soon everybody stops."""

import json
import logging
import threading
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from drymon.messages.message import Message
from drymon.messages.settings import HomeConfig, Notify, Webhook
from drymon.service.notify import notifier as notify
from drymon.service.notify.notifier import NEVER, Notifier
from drymon.service.notify.posts import Posts
from drymon.shop.alarms.alarm_book import Condition, Truth
from drymon.shop.facts.setup import RoomSetup
from drymon.store.store import Store
from tests.service.conftest import until
from tests.service.notify_servers import hook_server
from tests.service.test_figures import NOW, HandClock, notice, seconds

URL = "https://hooks.example.org/x"


class Office:
    """A home's outbox and the sender of its letters; what it reports of its ways is kept."""

    def __init__(self, folder: Path, *urls: str, wall: datetime = NOW) -> None:
        self.reported: list[Condition] = []
        self.store = Store.open(folder / "drymon.db", now=NOW)
        self.config = HomeConfig(
            folder, RoomSetup("shop"), notify=Notify(webhooks=tuple(Webhook(url=url) for url in urls))
        )
        self.notifier = Notifier(
            self.config, lambda work: work(self.store), self.reported.extend, HandClock(wall), patience_s=2.0
        )

    def write(self, way: str = "webhook-1", key: str = "k", created: datetime = NOW) -> None:
        self.store.queue_notice(created, way, {"id": key, "type": "test", "data": {}}, key)

    @property
    def truths(self) -> list[Truth]:
        return [condition.truth for condition in self.reported]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of ours in the middle of a letter."""
    monkeypatch.setattr(notify, "deliver", lambda *_: [][0])


@pytest.mark.usefixtures("broken")
def test_a_letter_that_a_fault_of_ours_stopped_is_not_taken_for_delivered(folder: Path) -> None:
    office = Office(folder, URL)
    office.write()
    with pytest.raises(IndexError):
        office.notifier.turn(NOW)
    (kept,) = office.store.notices()
    assert kept.delivered_at is None
    assert office.reported == []


@pytest.mark.usefixtures("broken")
def test_a_fault_of_ours_is_logged_and_the_thread_lives(
    folder: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(notify, "LOOK_EVERY_S", 0.02)
    office = Office(folder, URL)
    lock = threading.Lock()
    letters = [notice("webhook-1", number) for number in range(1000)]

    def write(_: object) -> object:
        with lock:
            return [letters.pop()]

    notifier = Notifier(office.config, write, office.reported.extend, HandClock(NOW))  # type: ignore[arg-type]
    monkeypatch.setattr(notifier, "now", lambda: NOW)
    notifier.start()
    assert until(lambda: caplog.text.count("telling people failed; trying again") > 1)
    notifier.stop()


def test_of_a_letter_whose_way_is_gone_that_is_kept(folder: Path) -> None:
    office = Office(folder, URL)
    office.write("mail-9.1")
    assert office.notifier.turn(NOW) == 0
    (kept,) = office.store.notices()
    assert (kept.error, kept.next_try) == ("its way is not in room.toml any more", NEVER)


def test_the_second_letter_of_a_way_in_trouble_says_what_it_waits_for(folder: Path) -> None:
    """A quarter of a minute, then its turn comes at that very moment."""
    with hook_server([503]) as hook:
        office = Office(folder, hook.url)
        office.write(key="one")
        assert office.notifier.turn(NOW) == 0
        office.write(key="two")
        assert office.notifier.turn(NOW) == 0
        errors = {kept.key: (kept.error, kept.next_try) for kept in office.store.notices()}
        assert errors["two"] == ("waits for its way to work again", seconds(15))
        assert "503" in errors["one"][0]
        assert office.notifier.turn(seconds(14.9)) == 0
        assert office.notifier.turn(seconds(15)) == 1
        assert office.notifier.turn(seconds(30)) == 1


@pytest.mark.parametrize(("age", "delivered"), [(timedelta(hours=24), 1), (timedelta(hours=24, seconds=1), 0)])
def test_a_letter_is_given_up_when_it_is_older_than_a_day(folder: Path, age: timedelta, delivered: int) -> None:
    with hook_server() as hook:
        office = Office(folder, hook.url)
        office.write()
        assert office.notifier.turn(NOW + age) == delivered
        assert len(hook.got) == delivered


def test_a_way_that_works_is_told_of_once_and_again_after_each_trouble(folder: Path) -> None:
    """An alarm from before a start ends with the first letter; three tries in a row make one, and one ends it."""
    with hook_server() as hook:
        office = Office(folder, hook.url)
        for number in (1, 2, 3):
            office.write(key=f"k-{number}")
            assert office.notifier.turn(NOW) == 1
        assert office.truths == [Truth.CLEAR]
        hook.moods[:] = [503]
        office.write(key="k-4")
        assert [office.notifier.turn(seconds(after)) for after in (0, 30, 30)] == [0, 1, 0]
        assert office.truths == [Truth.CLEAR, Truth.CLEAR]


def test_a_clock_behind_the_record_has_the_record_s_end(folder: Path) -> None:
    """It was not set at the start: letters are not written for 1970."""
    office = Office(folder, URL, wall=NOW - timedelta(days=9))
    assert office.notifier.now() == NOW - timedelta(days=9), "nothing is on record"
    office.store.record(Message(NOW, "drymon/shop/room/humidity", b"45"), [])
    assert office.notifier.now() == NOW
    office.notifier.clock.says = seconds(60)  # type: ignore[attr-defined]
    assert office.notifier.now() == seconds(60)


def test_who_tells_nobody_starts_nothing(folder: Path) -> None:
    before = threading.active_count()
    office = Office(folder)
    office.notifier.start()
    assert threading.active_count() == before
    office.notifier.stop()


def test_the_sender_stops_at_once_and_holds_nobody_up(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever stops it does not wait until it looks again, here in a minute."""
    monkeypatch.setattr(notify, "LOOK_EVERY_S", 60.0)
    office = Office(folder, URL)
    idle = threading.Event()
    notifier = Notifier(office.config, lambda _: idle.set() or [], [].extend, HandClock(NOW))  # type: ignore[arg-type,func-returns-value,return-value]
    notifier.now = lambda: NOW  # type: ignore[method-assign]
    notifier.start()
    (thread,) = [one for one in threading.enumerate() if one.name == "notify"]
    assert thread.daemon, "what hangs must not keep the service from ending"
    assert idle.wait(5)
    time.sleep(0.1)
    notifier.stop()
    assert not thread.is_alive()


# --- letters under way -----------------------------------------------------------------------------------------------


def test_each_way_s_letter_ends_by_itself() -> None:
    """One hangs, one is over its time, one is through: whatever their order."""
    running, gate = [0.0], threading.Event()
    posts = Posts(lambda: running[0], letter_s=10.0)
    posts.begin(notice("a"), lambda: bool(gate.wait(30)) and None)
    running[0] = 5.0
    for way in ("b", "d"):
        posts.begin(notice(way), lambda: bool(gate.wait(30)) and None)
    posts.begin(notice("c"), lambda: None)
    assert until(lambda: [one.notice.channel for one in posts.ended()] == ["c"])
    assert all(one.daemon for one in threading.enumerate() if one.name.startswith("notify "))
    assert (posts.under_way, posts.busy) == (True, ["a", "b", "d"])
    running[0] = 10.1
    assert [one.notice.channel for one in posts.ended()] == ["a"]
    assert posts.under_way
    gate.set()
    ended: list[str] = []

    def both() -> bool:
        ended.extend(one.notice.channel for one in posts.ended())
        return len(ended) == 2

    assert until(both)
    assert sorted(ended) == ["b", "d"]
    assert not posts.under_way


def goes_on(posts: Posts, within_s: float = 5.0) -> bool:
    """Whether somebody who would wait a minute goes on so soon; in the end everybody does."""
    waiting = threading.Thread(target=posts.wait, args=(60.0,), daemon=True)
    waiting.start()
    waiting.join(within_s)
    soon = not waiting.is_alive()
    posts.wake()
    waiting.join(5)
    return soon


def test_whoever_waits_for_letters_waits_until_one_is_through_or_over_its_time() -> None:
    gate = threading.Event()
    posts = Posts(time.monotonic, letter_s=0.3)
    assert not goes_on(posts, 0.2), "nothing is under way"
    assert posts.ended() == []
    posts.begin(notice("a"), lambda: bool(gate.wait(30)) and None)
    assert goes_on(posts), "until its deadline"
    assert [one.notice.channel for one in posts.ended()] == ["a"]
    gate.set()
    posts = Posts(time.monotonic, letter_s=60.0)
    posts.begin(notice("b"), lambda: None)
    assert goes_on(posts), "until it is through"
    assert len(posts.ended()) == 1
    assert not goes_on(posts, 0.2), "its news was taken"


def test_what_is_logged_of_a_failed_try(folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING, "drymon")
    with hook_server([503] * 3) as hook:
        office = Office(folder, hook.url)
        office.write()
        for after in (0, 30, 90):
            office.notifier.turn(seconds(after))
        told = [record.getMessage() for record in caplog.records]
        assert [line.rpartition("; ")[2] for line in told] == [f"trying again in {s} s" for s in (15, 30, 60)]
        assert all(line.startswith("webhook-1: not delivered (") for line in told)
        (held,) = office.reported
        assert held.truth is Truth.HOLDS
        assert "Messages by webhook-1 (to 127.0.0.1) cannot be delivered" in held.what
        assert json.loads(json.dumps(held.key)) == ["notify-failed", "webhook-1", ""]
