"""A phone at the demo's shop: in each of its states what to dip next is on the first screen, and trees that dry are low
rows; four trees are dipped, one of them is taken back and yesterday's dip is filed by taps.

The states are stored homes (make_states.py made them); the real page shows each of them, with a clock that stands at
its moment, in one Chromium.
"""

import gzip
import hashlib
import json
import re
import shutil
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from drymon.messages.config import load_home
from drymon.messages.home import make_home
from drymon.store import Session, Store, User
from drymon.views.page.app import create_app
from drymon.views.page.passwords import hash_password
from drymon.views.page.ports import Ports
from drymon.web.house import House
from tests.page.browsers import Browsers
from tests.page.conftest import PASSWORD, Shop, sign_in, tap, until
from tests.page.make_states import MOMENTS, OUT, STREAMS

pytest.importorskip("selenium", reason="selenium is not installed: pip install drymon[test]")

from selenium.webdriver.common.by import By

SCREENS = ((360, 640), (390, 844))


class Stage:
    """The page of the demo's shop at one of its moments, for somebody who is signed in."""

    def __init__(self, folder: Path) -> None:
        self.home, self.now = folder / "home", datetime.now(UTC)
        make_home(self.home, STREAMS.joinpath("room.toml").read_text(encoding="utf-8"))
        self._user = User("ana", hash_password(PASSWORD), self.now)
        self._session: Session | None = None
        self._database = self.home / "drymon.db"
        self._server = self._serve()
        self.url = f"http://127.0.0.1:{self._server.effective_port}"

    def _serve(self) -> Any:
        from waitress.server import create_server

        def refuse(*_: Any, **__: Any) -> Any:
            raise AssertionError("these tests only look")

        class Stands:
            wall = staticmethod(lambda: self.now)

        ports = Ports(
            config=load_home(self.home),
            database=self._database,
            now=lambda: self.now,
            running=time.monotonic,
            pause=time.sleep,
            publish=refuse,
            write=self._write,
            alarm=refuse,
            broker_online=lambda: True,
            draw=lambda _: None,
            report=lambda *_: None,
            labels=lambda _: None,
            secret=lambda: None,
            token="",
            house=House(self.home, Stands(), refuse),
        )
        server = create_server(create_app(ports), host="127.0.0.1", port=0, threads=4)
        threading.Thread(target=server.run, daemon=True).start()
        return server

    def _write(self, work: Any) -> Any:
        with Store.open(self._database) as store:
            return work(store)

    def load(self, state: str) -> None:
        """Another moment; whoever signed in at an earlier one still is."""
        for old in self.home.glob("drymon.db*"):
            old.unlink()
        with gzip.open(OUT / f"{state}.db.gz") as packed, self._database.open("wb") as plain:
            shutil.copyfileobj(packed, plain)
        self.now = MOMENTS[state][1]
        with Store.open(self._database) as store:
            store.save_user(self._user.name, self._user.hash, self.now)
            if self._session is not None:
                store.save_session(replace(self._session, created=self.now))

    def signed_in(self, driver: Any) -> None:
        """Sign in once; the session goes along to the other states."""
        driver.get(f"{self.url}/sign-in")
        driver.find_element(By.NAME, "name").send_keys("ana")
        driver.find_element(By.NAME, "password").send_keys(PASSWORD)
        driver.find_element(By.CSS_SELECTOR, "main button").click()
        (cookie,) = driver.get_cookies()
        with Store.open(self._database, readonly=True) as store:
            self._session = store.session(hashlib.sha256(cookie["value"].encode()).hexdigest())
        assert self._session is not None

    def close(self) -> None:
        self._server.close()


def size(driver: Any, width: int, height: int) -> None:
    screen = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": True}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)


@pytest.fixture(scope="module")
def phone(browsers: Browsers) -> Iterator[Any]:
    with browsers.opened() as start:
        yield start(360, 640)


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory, phone: Any) -> Iterator[Stage]:
    standing = Stage(tmp_path_factory.mktemp("stage"))
    standing.load("first-trees")
    standing.signed_in(phone)
    yield standing
    standing.close()


MEASURES = """
const box = (one) => one && one.getBoundingClientRect();
const trees = [...document.querySelectorAll('.tag')].map(box), tabs = box(document.querySelector('.tabs')).top;
const next = document.querySelector('.day .now li a') || document.querySelector('.day li a');
return {next: box(next), words: next && next.innerText, tabs: tabs, wide: document.documentElement.scrollWidth,
  all: [...document.querySelectorAll('.day .all > summary')].map(one => box(one).bottom),
  rows: [...document.querySelectorAll('.tag.drying')].map(one => [box(one).height, one.innerText]),
  high: trees.length ? trees.at(-1).bottom - trees[0].top : 0, trees: trees.length}
"""


@pytest.mark.parametrize("state", MOMENTS)
def test_the_tree_to_dip_next_is_on_the_first_screen(stage: Stage, phone: Any, state: str) -> None:
    """In CSS pixels, above the tabs at the foot; so is what dips several at once."""
    stage.load(state)
    for width, height in SCREENS:
        size(phone, width, height)
        phone.get(stage.url)
        seen = phone.execute_script(MEASURES)
        assert seen["next"], "the plan names a tree in each of these states"
        assert seen["next"]["top"] >= 0
        assert seen["next"]["bottom"] <= seen["tabs"] <= height, (seen["words"], width)
        assert seen["next"]["height"] >= 44
        assert all(bottom <= seen["tabs"] for bottom in seen["all"])
        assert seen["wide"] <= width
        for row, words in seen["rows"]:
            assert row <= 140, words
            assert "Coat" in words
            assert re.search("surely|sure by|no end in sight", words), "when it is dry stands on each row"


def test_eight_trees_that_dry_take_a_screen_and_a_half(stage: Stage, phone: Any) -> None:
    stage.load("all-drying")
    for width, height in SCREENS:
        size(phone, width, height)
        phone.get(stage.url)
        seen = phone.execute_script(MEASURES)
        assert (seen["trees"], len(seen["rows"])) == (8, 8)
        assert seen["high"] <= 1.5 * height


TREES = ("t-9", "t-10", "t-11", "t-12")


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory, broker_program: str) -> Iterator[Shop]:
    """A running shop where four trees on one rack are ready for the same coat."""
    running = Shop(tmp_path_factory.mktemp("ready"))
    try:
        running.add_user("ana")
        running.serve()
        running.dry_tree(*TREES, hours=16.0)
        yield running
    finally:
        running.close()


def test_four_trees_are_dipped_in_two_taps_and_one_is_taken_back(ready: Shop, phone: Any) -> None:
    size(phone, 360, 640)
    sign_in(phone, ready)

    def offered() -> list[Any]:
        phone.get(ready.url)
        return phone.find_elements(By.CSS_SELECTOR, ".day .all summary")

    assert until(offered, 30)
    taps = [phone.find_element(By.CSS_SELECTOR, ".day .all summary"), ".day .all button"]
    assert taps[0].text.endswith("Dip all 4 on Rack A")
    assert taps[0].rect["y"] + taps[0].rect["height"] <= phone.find_element(By.CSS_SELECTOR, ".tabs").rect["y"]
    line = phone.find_element(By.CSS_SELECTOR, ".day .now li a")
    assert "coat 2, backup" in line.text
    assert line.get_attribute("href").rpartition("/")[2] in TREES
    taps[0].click()
    tap(phone, taps[1])
    told = phone.find_element(By.ID, "flash").text
    assert all(tree in told for tree in (*TREES, "dipped, backup"))
    for tree in TREES:
        assert until(lambda tree=tree: (ready.verdict(tree) or {}).get("number") == 2), tree  # type: ignore[misc]
    said = json.loads(ready.heard["drymon/shop/log/dip"][-1])
    assert sorted(said["trees"]) == sorted(TREES)
    phone.find_element(By.CSS_SELECTOR, "#one-back > summary").click()
    tap(phone, "#undo-t-10")
    assert "t-10: taken back, as if never said" in phone.find_element(By.ID, "flash").text
    assert until(lambda: (v := ready.verdict("t-10")) and (v["number"], v["state"]) == (1, "ready"))
    assert [(ready.verdict(tree) or {})["number"] for tree in TREES] == [2, 1, 2, 2]


def test_yesterdays_forgotten_dip_of_a_new_tree_is_filed_with_its_name_alone_typed(ready: Shop, phone: Any) -> None:
    size(phone, 390, 844)
    sign_in(phone, ready, path="/new")
    phone.find_element(By.NAME, "tree").send_keys("Otter 3")
    tap(phone, "main button")
    fold = phone.find_element(By.CSS_SELECTOR, "#when-hang > summary")
    phone.execute_script("arguments[0].scrollIntoView({block: 'center'})", fold)
    fold.click()
    form = phone.find_element(By.CSS_SELECTOR, "form[action='/log/dip']")
    form.find_elements(By.CSS_SELECTOR, "select[name=day] option")[2].click()
    clock = form.find_element(By.CSS_SELECTOR, "input[name=clock]")
    assert clock.get_attribute("type") == "time", "a phone shows its own dial for it, no keyboard"
    phone.execute_script("arguments[0].value = '17:30'", clock)
    tap(phone, "form[action='/log/dip'] > button")
    zone = ZoneInfo("Europe/Lisbon")
    yesterday = datetime.now(zone).date() - timedelta(days=1)
    meant = datetime(yesterday.year, yesterday.month, yesterday.day, 17, 30, tzinfo=zone).astimezone(UTC)
    assert until(lambda: (v := ready.verdict("otter-3")) and v["dipped_at"] == f"{meant:%Y-%m-%dT%H:%M:%SZ}")
