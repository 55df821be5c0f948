"""Alarms that people answer where they stand: a real Chromium, the real service, a real mosquitto."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from drymon.shop.alarms.alarm_book import AlarmBook, Condition, Key, Truth
from drymon.shop.alarms.raising import update
from drymon.store.store import Store
from tests.page.conftest import Shop, settled, sign_in, tap, until

pytest.importorskip("selenium", reason="selenium is not installed: pip install drymon[test]")

from selenium.webdriver.common.by import By

Open = Callable[..., Any]
SILENT, STANDS = ("attic", "cellar"), "porch"


def text_of(driver: Any, css: str = "main") -> str:
    return str(settled(lambda: driver.find_element(By.CSS_SELECTOR, css).text))


def yesterdays_book(now: datetime) -> AlarmBook:
    """Two sensors were silent and are back, a third is still silent; nobody has acknowledged any of it."""
    keys = {place: Key("sensor-silent", place) for place in (*SILENT, STANDS)}

    def said(place: str, truth: Truth) -> Condition:
        return Condition(
            keys[place], truth, f"Nothing heard from {place} since noon.", "Do it now if trees are drying."
        )

    book, begun = AlarmBook(), now - timedelta(hours=20)
    for minute in (0, 2, 60, 62):
        back = Truth.HOLDS if minute < 60 else Truth.CLEAR
        conditions = [said(STANDS, Truth.HOLDS), *(said(place, back) for place in SILENT)]
        book, _ = update(book, begun + timedelta(minutes=minute), conditions)
    return book


def has_heard(shop: Shop) -> bool:
    with Store.open(shop.home / "drymon.db", readonly=True) as store:
        return len(store.latest_readings()) == 3


def has_alarm(shop: Shop, tree: str) -> bool:
    with Store.open(shop.home / "drymon.db", readonly=True) as store:
        book = store.alarm_book()
    return any(key.subject == tree and entry.raised_at is not None for key, entry in book.entries.items())


@pytest.fixture
def morning(tmp_path: Path, broker_program: str) -> Iterator[Shop]:
    """A shop after a night of alarms; t-5 has waited longer than its coat may, t-6 dries."""
    running = Shop(tmp_path)
    room = running.home / "room.toml"
    room.write_text(room.read_text("utf-8").replace("longest_wait_h = 72", "longest_wait_h = 10"), "utf-8")
    try:
        running.add_user("ana")
        running.serve()
        running.air()
        assert until(partial(has_heard, running), 60), running.log.read_text()
        running.stop()
        now = datetime.now(UTC)
        with Store.open(running.home / "drymon.db") as store, store.transaction():
            store.save_alarm_book(yesterdays_book(now))
        running.heard.clear()  # or the first start's word would pass for the second's
        running.serve()
        running.air()
        dipped = f"{now - timedelta(hours=11):%Y-%m-%dT%H:%M:%SZ}"
        dip = {"rack": "rack-a", "coat": "backup", "number": 2, "recipe": "standard", "shelter": "open"}
        running.say("log/dip", {**dip, "tree": "t-5", "time": dipped})
        running.say("log/dip", {**dip, "tree": "t-6"})
        assert until(partial(running.is_in_state, "t-5", "hold"), 60), running.log.read_text()
        assert until(lambda: running.verdict("t-6"), 60), running.log.read_text()
        assert until(partial(has_alarm, running, "t-5"), 60), running.log.read_text()
        yield running
    finally:
        running.close()


def test_a_hold_is_answered_on_its_alarm_with_what_to_look_for(morning: Shop, open_browser: Open) -> None:
    phone = open_browser(360, 740)
    sign_in(phone, morning, path="/alarms")
    held = text_of(phone, ".alarm:has(.answer)")
    assert "t-5" in held
    assert "look for crazing and lifting" in held
    assert "Signs to look for: hair cracks, edges that lift, stucco that rubs off as dust" in held
    assert "WARNING" in held, "a long wait is no danger yet"
    tap(phone, "#sound-t-5")
    assert "looked at t-5, sound" in text_of(phone, "#flash")
    assert "/alarms" in phone.current_url
    assert '"by": "ana"' in morning.heard["drymon/shop/log/look"][-1].decode()
    assert until(lambda: not phone.find_elements(By.CSS_SELECTOR, ".answer"), 20), "the alarm is answered"
    assert until(lambda: not morning.is_in_state("t-5", "hold"))


def test_scrap_takes_one_more_tap_and_takes_the_tree_out(morning: Shop, open_browser: Open) -> None:
    phone = open_browser(360, 740)
    sign_in(phone, morning, path="/alarms")
    scrap = phone.find_element(By.ID, "scrapped-t-5")
    assert not scrap.is_displayed(), "a slip of a wet glove must not scrap a tree"
    phone.execute_script("document.getElementById('scrap-t-5').scrollIntoView({block: 'center'})")
    settled(lambda: phone.find_element(By.CSS_SELECTOR, "#scrap-t-5 summary").click())
    tap(phone, "#scrapped-t-5")
    assert "looked at t-5, scrap" in text_of(phone, "#flash")
    assert until(lambda: morning.verdict("t-5") is None)


def test_what_is_over_is_acknowledged_in_one_tap_and_has_no_more_buttons(morning: Shop, open_browser: Open) -> None:
    tablet = open_browser(820, 1180)
    sign_in(tablet, morning, path="/alarms")
    for place in SILENT:
        ended = tablet.find_element(By.XPATH, f"//article[contains(@class, 'returned')][.//b[.='{place}']]")
        assert "over since" in ended.text
        assert "Do:" not in ended.text
        assert len(ended.find_elements(By.TAG_NAME, "button")) == 1
        assert not ended.find_elements(By.TAG_NAME, "details"), "what is over needs no silencing"
    order = [each.text for each in tablet.find_elements(By.CSS_SELECTOR, "article.alarm")]
    assert [STANDS in head for head in order].index(True) < [SILENT[0] in head for head in order].index(True)
    assert text_of(tablet, "#seen-over") == "Acknowledge all 2 that are over"
    tap(tablet, "#seen-over")
    assert "Acknowledged all that are over" in text_of(tablet, "#flash")
    left = text_of(tablet)
    assert STANDS in left, "what still holds waits for somebody"
    assert not [place for place in SILENT if place in left.split("The last week")[0]]
    with Store.open(morning.home / "drymon.db", readonly=True) as store:
        log = [(line.key.split(":")[1], line.change, line.who) for line in store.alarm_log() if line.who]
    assert log == [("attic", "acknowledge-over", "ana"), ("cellar", "acknowledge-over", "ana")]


def test_the_command_acknowledges_what_is_over_and_lists_what_to_do(morning: Shop) -> None:
    listed = " ".join(morning.drymon("alarms").stdout.split())
    assert "answer: drymon look t-5 sound (or repaired, or scrap)" in listed
    assert "do: Look at the tree, then log what you found" in listed
    assert "nobody has acknowledged it" in listed
    done = morning.drymon("alarms", "acknowledge", "--over", "--by", "kim")
    assert (done.returncode, done.stdout) == (0, "done: all that are over are acknowledged\n"), done.stderr
    listed = morning.drymon("alarms").stdout
    assert STANDS in listed
    assert not [place for place in SILENT if place in listed]
    again = morning.drymon("alarms", "acknowledge", "--over")
    assert again.returncode == 2
    assert "no alarm is over" in again.stderr
    for words, told in (((), "neither an ID nor --over"), (("x", "--over"), "an ID and --over")):
        wrong = morning.drymon("alarms", "acknowledge", *words)
        assert wrong.returncode == 2
        assert told in wrong.stderr
    morning.stop()
    assert "nothing was" not in morning.drymon("alarms").stdout
