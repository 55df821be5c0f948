"""The service's own figures, just inside and just outside of what they decide; what goes over a wire is read off it.

Codes of MQTT 5 are those of its specification (OASIS, sections 2.2.2.2 and 3.1; from memory).
"""

import json
import logging
import shutil
import socket
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from smtplib import SMTPDataError, SMTPRecipientsRefused
from types import SimpleNamespace

import pytest

from drymon.errors import SetupError
from drymon.messages.message import Message
from drymon.messages.outgoing import last_will
from drymon.messages.settings import Apprise, Broker, HomeConfig, Keep, Mail, MailServer, Notify, Webhook
from drymon.service.clock import StreamTime
from drymon.service.connection import connect, make_client, set_will
from drymon.service.inbox import Inbox
from drymon.service.logs import OncePerWhile
from drymon.service.notify import posts as notify_posts
from drymon.service.notify.by_mail import compose
from drymon.service.notify.letters import Way, letters, plain_letter, wants, ways
from drymon.service.notify.life import sign_of_life
from drymon.service.notify.notifier import Notifier, Teller
from drymon.service.notify.posts import Posts
from drymon.service.notify.ways import deliver, describe, ways_of, why
from drymon.service.pipeline import Pipeline
from drymon.service.suspects import FILE, Suspects
from drymon.service.unsaid import Unsaid
from drymon.service.upkeep import Upkeep
from drymon.shop.alarms.alarm_book import Truth
from drymon.shop.facts.outcome import Alert
from drymon.shop.facts.setup import RoomSetup
from drymon.store.notices import LEASE, Notice
from drymon.store.store import Store
from tests.service.conftest import until
from tests.service.notify_servers import hook_server

NOW = datetime(2031, 3, 3, 6, tzinfo=UTC)


def seconds(count: float) -> datetime:
    return NOW + timedelta(seconds=count)


# --- the first packet ------------------------------------------------------------------------------------------------


def first_packet(mqtt5: bool, lasting: bool) -> bytes:
    """What a client says first to whoever listens."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        broker = Broker("127.0.0.1", server.getsockname()[1])
        client = make_client(broker, "drymon-shop", mqtt5=mqtt5, lasting=lasting)
        set_will(client, last_will("shop", NOW))
        connect(client, broker, lasting=lasting)
        client.loop_start()
        try:
            connection, _ = server.accept()
            with connection:
                connection.settimeout(5)
                return connection.recv(1000)
        finally:
            client.disconnect()
            client.loop_stop()


def test_the_service_asks_the_broker_for_a_session_that_outlasts_a_holiday() -> None:
    """Two weeks; 4000 messages under way; packets up to 16 MiB; a will that waits three seconds, at QoS 1, retained."""
    packet = first_packet(mqtt5=True, lasting=True)
    start = packet.index(b"\x00\x04MQTT")
    level, flags, keep_alive = packet[start + 6], packet[start + 7], int.from_bytes(packet[start + 8 : start + 10])
    assert (level, keep_alive) == (5, 30)
    assert flags == 0b0010_1100, "will retained, at QoS 1; no clean start"
    size = packet[start + 10]
    asked = packet[start + 11 : start + 11 + size]
    assert b"\x11" + (14 * 86_400).to_bytes(4) in asked
    assert b"\x21" + (4000).to_bytes(2) in asked
    assert b"\x27" + (16 * 1024 * 1024).to_bytes(4) in asked
    assert b"\x18" + (3).to_bytes(4) in packet[start + 11 + size :]
    assert b"drymon/shop/out/service" in packet


def test_whoever_types_an_event_leaves_no_session_behind() -> None:
    packet = first_packet(mqtt5=True, lasting=False)
    start = packet.index(b"\x00\x04MQTT")
    assert packet[start + 7] & 0b10, "a clean start"
    assert b"\x11" not in packet[start + 11 : start + 11 + packet[start + 10]]


@pytest.mark.parametrize("lasting", [True, False])
def test_in_3_1_1_the_session_lasts_by_its_own_flag(lasting: bool) -> None:
    packet = first_packet(mqtt5=False, lasting=lasting)
    start = packet.index(b"\x00\x04MQTT")
    assert packet[start + 6] == 4
    assert bool(packet[start + 7] & 0b10) is not lasting
    assert int.from_bytes(packet[start + 8 : start + 10]) == 30


# --- what waits for the broker ---------------------------------------------------------------------------------------


class Said(list[tuple[bytes, int | None]]):
    def __call__(self, message: Message, expiry_s: int | None) -> None:
        self.append((message.payload, expiry_s))


def word(payload: bytes, at: datetime = NOW, retain: bool = True, expiry_s: int | None = 600) -> Message:
    return Message(at, "drymon/shop/out/tree/t-1", payload, retain=retain, expiry_s=expiry_s)


def test_an_older_word_is_said_where_it_is_a_minute_old_at_most() -> None:
    for age, told in ((60.0, [b"1", b"2"]), (60.1, [b"2"])):
        said = Said()
        Unsaid(said).say([word(b"1"), word(b"2")], True, seconds(age))
        assert [payload for payload, _ in said] == told


@pytest.mark.parametrize(("age", "left"), [(0.0, 600), (0.5, 599), (599.0, 1), (599.1, None), (-5.0, 600)])
def test_a_word_is_said_with_what_is_left_of_its_life(age: float, left: int | None) -> None:
    said = Said()
    Unsaid(said).say([word(b"1")], True, seconds(age))
    assert said == ([] if left is None else [(b"1", left)])


def test_a_thousand_alerts_wait_for_the_broker() -> None:
    said = Said()
    herald = Unsaid(said)
    herald.say([word(str(number).encode(), retain=False, expiry_s=None) for number in range(1005)], False, NOW)
    herald.say_all(NOW)
    assert (len(said), said[0]) == (1000, (b"5", None))


# --- clock and inbox -------------------------------------------------------------------------------------------------


class HandClock:
    """A clock that a test turns by hand."""

    def __init__(self, wall: datetime) -> None:
        self.says, self.runs = wall, 1000.0

    def wall(self) -> datetime:
        return self.says

    def monotonic(self) -> float:
        return self.runs

    def synchronised(self) -> bool:
        return False


@pytest.mark.parametrize(("jump", "words"), [(60.0, []), (60.1, [False, True]), (-1.0, []), (-1.1, [False]), (0.0, [])])
def test_which_steps_of_the_clock_are_told_of(jump: float, words: list[bool]) -> None:
    """More than a minute forwards, more than a second backwards."""
    clock = HandClock(NOW)
    stream = StreamTime(clock)
    assert stream.now() == NOW
    clock.says += timedelta(seconds=jump)
    assert [one.known for one in stream.check()] == words


@pytest.mark.parametrize(("wall", "known"), [(datetime(2025, 12, 31, 23, 59, 59, tzinfo=UTC), False),
                                             (datetime(2026, 1, 1, tzinfo=UTC), True)])  # fmt: skip
def test_a_clock_before_2026_has_not_been_set(wall: datetime, known: bool) -> None:
    told = [one.note for one in StreamTime(HandClock(wall)).check()]
    assert (not told) is known
    assert all("2025-12-31T23:59:59Z, before 2026" in note for note in told)


def put(inbox: Inbox, mid: int = 1) -> None:
    inbox.put("drymon/shop/room/humidity", b"40", retain=False, qos=1, dup=False, mid=mid, generation=3)


def test_twenty_thousand_messages_wait_and_the_next_until_there_is_room() -> None:
    inbox = Inbox("shop", StreamTime(HandClock(NOW)))
    for mid in range(20_000):
        put(inbox, mid)
    more = threading.Thread(target=put, args=(inbox, 20_000), daemon=True)
    more.start()
    more.join(0.2)
    assert more.is_alive()
    taken, horizon = inbox.drain(1, 1, 0.0)
    assert [(one.message.mid, one.generation) for one in taken] == [(0, 3)]
    assert horizon is None
    more.join(5)
    assert not more.is_alive()
    inbox.close()
    put(inbox, 20_001)
    assert len(inbox.drain(1, 100_000, 0.0)[0]) == 20_001


def test_the_inbox_knows_the_time_and_whether_to_believe_it() -> None:
    clock = HandClock(NOW)
    inbox = Inbox("shop", StreamTime(clock))
    assert (inbox.now(), inbox.clock_known) == (NOW, True)
    clock.says -= timedelta(hours=1)
    assert inbox.now() == NOW
    assert not inbox.clock_known
    ((told,), _) = inbox.drain(1, 10, 0.0)
    assert (told.generation, told.message.topic) == (0, "drymon/shop/log/clock")
    assert json.loads(told.message.payload)["known"] is False


# --- the house -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("free", "truth"),
    [(0.049, Truth.HOLDS), (0.05, Truth.UNCLEAR), (0.07, Truth.UNCLEAR), (0.071, Truth.CLEAR)],
)
def test_the_disk_is_low_below_five_percent_and_well_above_seven(
    pipeline: Pipeline, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free: float, truth: Truth
) -> None:
    usage = SimpleNamespace(total=1e9, used=1e9 * (1.0 - free), free=1e9 * free)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    house = Upkeep(tmp_path / "home", tmp_path / "home" / "drymon.db", pipeline.store, Keep())
    (disk,) = house.conditions(pipeline.room.alarm_book)
    assert (disk.key.kind, disk.truth) == ("disk-full-soon", truth)
    assert f"{1000 * free:.0f} MB are left" in disk.what


@pytest.mark.parametrize(("deaths", "kept"), [(1000, True), (1001, False)])
def test_a_thousand_deaths_are_remembered(tmp_path: Path, deaths: int, kept: bool) -> None:
    first = Message(NOW, "t", b"first")
    for _ in range(2):
        life = Suspects(tmp_path)
        life.begin(first)
        life.close()
    assert Suspects(tmp_path).condemned(first)
    lines = (tmp_path / FILE).read_text().splitlines()
    others = [f"{number:032x} 1" for number in range(deaths - 1)]
    (tmp_path / FILE).write_text("\n".join([lines[0], *lines[1:], *others, ""]))
    assert Suspects(tmp_path).condemned(first) is kept


def record(text: str) -> logging.LogRecord:
    return logging.LogRecord("drymon", logging.ERROR, __file__, 1, text, (), None)


def test_a_line_is_quiet_for_ten_minutes(monkeypatch: pytest.MonkeyPatch) -> None:
    running = [0.0]
    monkeypatch.setattr("drymon.service.logs.time.monotonic", lambda: running[0])
    quiet = OncePerWhile()
    passed = []
    for running[0] in (0.0, 1.0, 599.0, 600.0, 601.0):
        passed.append(quiet.filter(record("x")))
    assert passed == [True, False, False, True, False]
    for number in range(1100):
        assert quiet.filter(record(str(number)))
    assert quiet.filter(record("x")), "of a thousand lines and more all are forgotten"


# --- who is told what ------------------------------------------------------------------------------------------------


def alert(kind: str = "tree-hold", severity: str = "danger", state: str = "raised", subject: str = "t-7") -> Alert:
    return Alert(NOW, f"{kind}:{subject}", kind, subject, severity, state, f"{kind} of {subject}.")


MAIL = Mail(to=("kim@shop.example", "ann@shop.example"))
HOOK = Webhook(url="https://hooks.example.org:8443/secret/path")
LISTS = (Apprise(urls_file=Path("one.urls")), Apprise(urls_file=Path("two.urls")))


def test_every_addressee_is_a_way_of_its_own() -> None:
    notify = Notify(mails=(MAIL, Mail(to=("bob@shop.example",))), webhooks=(HOOK, HOOK), apprises=LISTS)
    assert [way.name for way in ways(notify, [2])] == [
        "mail-1.1", "mail-1.2", "mail-2.1", "webhook-1", "webhook-2", "apprise-1.1", "apprise-1.2", "apprise-2.1",
    ]  # fmt: skip
    assert [describe(way) for way in ways(notify, [2])][1:7] == [
        "to ann@shop.example", "to bob@shop.example", "to hooks.example.org", "to hooks.example.org",
        "address 1 in one.urls", "address 2 in one.urls",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("least", "severity", "told"),
    [("warning", "notice", False), ("warning", "warning", True), ("warning", "danger", True),
     ("danger", "warning", False), ("notice", "notice", True)],
)  # fmt: skip
def test_who_wants_what(least: str, severity: str, told: bool) -> None:
    assert wants(replace(MAIL, least_severity=least), alert(severity=severity)) is told
    assert wants(replace(MAIL, least_severity=least), alert("rack-ready", "notice"))
    assert not wants(replace(MAIL, kinds=("sensor-silent",)), alert("rack-ready", severity))
    assert wants(replace(MAIL, kinds=("tree-hold",), least_severity="danger"), alert(severity="notice"))


def test_a_mail_tells_of_the_worst_first_and_how_many_more() -> None:
    way = Way("mail-1.1", MAIL)
    some = [alert("sensor-silent", "warning", subject="rack-a"), alert(), alert("grade", "notice", "cleared")]
    (letter,) = letters("shop", [way], some)
    assert letter.payload["title"] == "[shop] tree-hold t-7 raised and 1 more"
    assert letter.payload["severity"] == "danger"
    assert letter.payload["text"] == (
        "sensor-silent of rack-a.\n(sensor-silent rack-a, raised)\n\ntree-hold of t-7.\n(tree-hold t-7, raised)"
    )
    assert letters("shop", [way], some)[0].key == letter.key
    assert letters("shop", [way], some[:1])[0].payload["title"] == "[shop] sensor-silent rack-a raised"
    assert letters("shop", [way], some[:1])[0].key != letter.key
    assert letters("shop", [way], [alert("rack-ready", "notice", "cleared")]) == []
    assert letters("shop", [way], [alert("notify-failed", subject="mail-1.1")]) == []
    assert len(letters("shop", [way], [alert("notify-failed", subject="mail-1.2")])) == 1


def test_a_webhook_has_an_event_for_each_and_hears_of_withdrawn_notices() -> None:
    way = Way("webhook-1", HOOK)
    told = letters("shop", [way], [alert(), alert("rack-ready", "notice", "cleared", "rack-a")])
    assert [letter.payload["type"] for letter in told] == ["drymon.alert.raised", "drymon.alert.cleared"]
    assert [letter.payload["subject"] for letter in told] == ["t-7", "rack-a"]
    assert {letter.payload["source"] for letter in told} == {"/drymon/shop"}
    assert len({letter.key for letter in told}) == 2
    life = plain_letter("shop", way, "sign-of-life", "All well", "Text.", NOW)
    assert (life.payload["type"], "subject" in life.payload) == ("drymon.sign-of-life", False)
    assert life.payload["data"]["title"] == "All well"
    mail = plain_letter("shop", Way("mail-1.1", MAIL), "test", "All well", "Text.", NOW)
    assert mail.payload == {"title": "[shop] All well", "text": "Text."}
    assert mail.key == "mail-1.1 test:2031-03-03T06:00:00Z"


def test_a_danger_is_an_urgent_mail() -> None:
    """RFC 4021, section 2.1.54."""
    plain, urgent = (
        compose("Drymon <d@shop.example>", "k@x", " a\n b ", "t", "key", NOW, one) for one in (False, True)
    )
    assert (plain["Importance"], urgent["Importance"]) == (None, "high")
    assert plain["Subject"] == "a b"
    assert plain["Message-ID"] == urgent["Message-ID"]
    assert str(plain["Message-ID"]).endswith("@shop.example>")


def test_failures_in_one_line() -> None:
    assert why(OSError("a\n  b")) == "a b"
    assert why(OSError()) == "OSError"
    assert why(SMTPDataError(451, b"try\nlater")) == "the mail server answered 451 try later"
    both = SMTPRecipientsRefused({"b@x": (550, b"no"), "a@x": (452, b"full")})
    assert why(both) == "the mail server refused a@x: 452 full; b@x: 550 no"


def test_a_sign_of_life_tells_what_is_there(tmp_path: Path) -> None:
    room = RoomSetup("shop", label="Shell room")
    with Store.open(tmp_path / "drymon.db") as store:
        title, text = sign_of_life(store, NOW, room)
        assert title == "daily sign of life"
        assert text.splitlines()[:3] == [
            "drymon watches the room Shell room.", "Trees: none.", "Last message from the room: never.",
        ]  # fmt: skip
        store.record(Message(NOW, "drymon/shop/room/humidity", b"45"), [])
        assert "Last message from the room: 06:00." in sign_of_life(store, NOW, replace(room, label=""))[1]
        assert "the room shop." in sign_of_life(store, NOW, replace(room, label=""))[1]


# --- letters under way -----------------------------------------------------------------------------------------------


def notice(way: str, number: int = 1) -> Notice:
    return Notice(number, NOW, way, {}, f"k-{number}", 1, NOW, None, "")


def test_a_letter_has_its_time_and_three_that_were_given_up_keep_a_way_busy() -> None:
    running, gate = [0.0], threading.Event()
    posts = Posts(lambda: running[0], letter_s=100.0)
    for number in range(3):
        assert posts.busy == []
        posts.begin(notice("mail-1.1", number), lambda: bool(gate.wait(30)) and None)
        assert posts.busy == ["mail-1.1"]
        assert posts.under_way
        running[0] += 100.0
        assert posts.ended() == [], "its time is not over yet"
        running[0] += 0.1
        (tried,) = posts.ended()
        assert "no answer in full within 100 s" in str(tried.error)
        assert not posts.under_way
    assert posts.busy == ["mail-1.1"]
    gate.set()
    assert until(lambda: posts.busy == [])
    posts.begin(notice("mail-1.1"), lambda: None)
    assert until(lambda: [one.error for one in posts.ended()] == [None])


def test_a_letter_takes_less_time_than_it_is_claimed_for() -> None:
    """Two minutes, as the store's outbox has it."""
    assert 90.0 < notify_posts.LETTER_S < LEASE.total_seconds()


class PageContext:
    """A home's outbox and its sender by one webhook, with time in the test's hand."""

    def __init__(self, folder: Path, url: str) -> None:
        self.config = HomeConfig(folder, RoomSetup("shop"), notify=Notify(webhooks=(Webhook(url=url),)))
        self.store = Store.open(folder / "drymon.db", now=NOW)
        self.notifier = Notifier(self.config, lambda work: work(self.store), [].extend, HandClock(NOW), 2.0)
        with self.store.transaction():
            Teller(self.config)(self.store, [alert()])

    def tries(self, at: list[float], got: list[object]) -> list[int]:
        """How many tries have been made after each of these seconds."""
        made = []
        for moment in at:
            self.notifier.turn(seconds(moment))
            made.append(len(got))
        return made


@pytest.fixture
def counted() -> Iterator[tuple[str, list[object]]]:
    """A receiver that takes nothing, and a line for each try."""
    got: list[object] = []

    class Moods(list[int]):
        def __bool__(self) -> bool:
            return True

        def pop(self, _: int = 0) -> int:  # type: ignore[override]
            got.append(1)
            return 503

    with hook_server() as hook:
        hook.moods = Moods()  # type: ignore[assignment]
        yield hook.url, got


def test_a_letter_is_tried_again_after_half_a_minute_then_ever_more_seldom(
    tmp_path: Path, counted: tuple[str, list[object]]
) -> None:
    """Its way rests 15 s, then twice as long each time; the letter itself twice that, so that others go before it."""
    url, got = counted
    desk = PageContext(tmp_path, url)
    assert desk.tries([0.0, 29.9, 30.0, 89.9, 90.0, 209.9, 210.0], got) == [1, 1, 2, 2, 3, 3, 4]


def test_a_way_rests_a_quarter_of_an_hour_at_the_most_and_a_day_old_letter_is_given_up(
    tmp_path: Path, counted: tuple[str, list[object]]
) -> None:
    url, got = counted
    desk = PageContext(tmp_path, url)
    waits = [0.0]
    for pause in (15.0, 30.0, 60.0, 120.0, 240.0, 480.0, 900.0, 900.0):
        waits.append(waits[-1] + 2.0 * pause)
    for count, moment in enumerate(waits, 1):
        assert desk.tries([moment - 0.1, moment], got)[-1] == count
    day = 86_400.0
    before = len(got)
    assert desk.tries([day], got) == [before + 1]
    assert desk.tries([day + 3600.0, 5 * day], got) == [before + 1] * 2
    (kept,) = desk.store.notices()
    assert "503" in kept.error
    assert kept.next_try.year == 9999


def test_a_mail_without_a_server_says_so(tmp_path: Path) -> None:
    config = HomeConfig(tmp_path, RoomSetup("shop"), notify=Notify(mails=(MAIL,)))
    letter = replace(notice("mail-1.1"), payload={"title": "a", "text": "b"})
    with pytest.raises(SetupError, match=r"notify\.mail_server"):
        deliver(config, ways_of(config)[0], letter, NOW)
    lists = HomeConfig(tmp_path, RoomSetup("shop"), notify=Notify(apprises=(Apprise(urls_file=tmp_path / "none"),)))
    assert [way.name for way in ways_of(lists)] == ["apprise-1.1"], "a file that cannot be read fails as one way"
    assert MailServer(host="h", sender="s").port == 587
