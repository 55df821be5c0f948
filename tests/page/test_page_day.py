"""The day on the page: what a dip now would mean, the plan as a picture and on paper, one state alone, entries told
late. The real service over HTTP, and a real Chromium.
"""

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta
from functools import partial
from typing import Any
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest

from tests.page.conftest import Shop, settled, sign_in, tap, until
from tests.page.test_page_access import Visitor

pytest.importorskip("selenium", reason="selenium is not installed: pip install drymon[test]")

from selenium.webdriver.common.by import By

Open = Callable[..., Any]
ZONE = ZoneInfo("Europe/Lisbon")


def drying(shop: Shop) -> bool:
    return all(shop.is_in_state(tree, "drying") for tree in ("t-1", "t-2"))


def has_plan(shop: Shop, tree: str) -> bool:
    said = shop.heard.get("drymon/shop/out/plan", [])
    return bool(said) and tree in [dip["tree"] for dip in json.loads(said[-1])["now"]]


@pytest.fixture(scope="module")
def day(still_shop: Shop) -> Shop:
    """t-9 is ready and has its next coat in the plan; t-1 and t-2 dry; t-50 is unknown."""
    assert until(partial(has_plan, still_shop, "t-9"), 30)
    assert until(partial(drying, still_shop), 30)
    return still_shop


def trees_of(page: str) -> list[str]:
    return re.findall(r'<article class="tag[^"]*" aria-label="Tree ([^"]+)"', page)


def test_what_a_dip_now_would_mean_stands_beside_it(day: Shop) -> None:
    told = r"dipped now: likely dry (\d\d:\d\d|\w{3} \d\d:\d\d), surely (\d\d:\d\d|\w{3} \d\d:\d\d)"
    assert re.search(told, day.get("/")[1])
    ana = Visitor(day)
    ana.sign_in()
    assert re.search(r"Dipped now: coat 2 is likely dry .*, surely ", ana.ask("GET", "/tree/t-9")[1])
    assert re.search(r"Dipped .*, as planned: coat 2 is likely dry ", ana.ask("GET", "/tree/t-1")[1])


def test_one_state_alone_is_shown_and_taken_back(day: Shop) -> None:
    assert set(trees_of(day.get("/")[1])) == {"t-1", "t-2", "t-9", "t-50"}
    page = day.get("/?state=ready")[1]
    assert trees_of(page) == ["t-9"]
    assert "<b>2</b> drying" in page, "the others are still counted"
    assert re.search(r'href="/#trees" aria-current="true" id="only-ready"', page)
    assert trees_of(day.get("/part/room?state=unknown")[1]) == ["t-50"]
    assert len(trees_of(day.get("/?state=burnt")[1])) == 4


def test_the_plan_is_there_as_a_sheet_and_as_pictures(day: Shop) -> None:
    status, sheet, headers = day.get("/plan")
    assert status == 200
    assert "sandbox" in headers["Content-Security-Policy"]
    assert re.search(r'class="at">now</td><td class="tree">t-9</td><td>2 backup', sheet)
    for name in ("desk", "phone"):
        status, drawn, _ = day.get(f"/picture/plan/{name}.svg")
        assert status == 200
        words = {text.strip() for text in ElementTree.fromstring(drawn).itertext()}
        assert {"t-9", "t-1", "2", "last coat dry"} <= words
    assert day.get("/picture/plan/wall.svg")[0] == 503


def test_an_entry_is_told_for_yesterday_on_the_rooms_clock(day: Shop) -> None:
    ana = Visitor(day)
    ana.sign_in()
    yesterday = datetime.now(ZONE).date() - timedelta(days=1)
    form = ana.felt(clock="17:30", day=f"{yesterday}", minutes_ago="20")
    ana.ask("POST", "/log/felt", form, Sec_Fetch_Site="same-origin")
    meant = datetime.combine(yesterday, time(17, 30), ZONE).astimezone(UTC)
    assert until(lambda: day.heard.get("drymon/shop/log/felt"))
    assert json.loads(day.heard["drymon/shop/log/felt"][-1])["time"] == f"{meant:%Y-%m-%dT%H:%M:%SZ}"


def test_an_entry_that_is_still_to_come_is_refused_in_words(day: Shop) -> None:
    ana = Visitor(day)
    ana.sign_in()
    tomorrow = datetime.now(ZONE).date() + timedelta(days=1)
    for changes, words in (
        ({"clock": "07:00", "day": f"{tomorrow}"}, "still to come"),
        ({"clock": "half past"}, "allowed is RFC 3339"),
    ):
        ana.ask("POST", "/log/felt", ana.felt(**changes), Sec_Fetch_Site="same-origin")
        assert words in ana.ask("GET", "/tree/t-1")[1]


def change_of(page: str, words: str) -> dict[str, str]:
    """What the form to change the entry has, whose line on a tree's page says these words."""
    line = next(one for one in page.split("<li>") if words in one and 'action="/log/change"' in one)
    form = line.split('action="/log/change"')[1]
    return dict(re.findall(r'name="(entry)" value="([^"]+)"', form))


def test_an_entry_is_changed_in_one_act_and_what_it_was_is_withdrawn(day: Shop) -> None:
    ana = Visitor(day)
    ana.sign_in()
    ana.ask("POST", "/log/weigh", ana.felt(mass="12.4", unit="kg"), Sec_Fetch_Site="same-origin")
    page = ana.ask("GET", "/tree/t-1")[1]
    form = ana.felt(mass="12,9", **change_of(page, "12.4 kg"))
    ana.ask("POST", "/log/change", form, Sec_Fetch_Site="same-origin")
    page = ana.ask("GET", "/tree/t-1")[1]
    assert "Changed: t-1: weighed: 12.9 kg" in page
    assert re.search(r"<s>weighed: 12.4 kg</s>", page)
    undo, weigh = (json.loads(day.heard[f"drymon/shop/log/{name}"][-1]) for name in ("undo", "weigh"))
    assert (undo["tree"], undo["entry"], undo["by"]) == ("t-1", form["entry"], "ana")
    assert (weigh["mass"], weigh["unit"], weigh["by"]) == (12.9, "kg", "ana")
    again = ana.felt(mass="12.8", entry=form["entry"])  # a second phone, whose page is older
    ana.ask("POST", "/log/change", again, Sec_Fetch_Site="same-origin")
    assert "somebody may have changed or withdrawn it" in ana.ask("GET", "/tree/t-1")[1]
    assert json.loads(day.heard["drymon/shop/log/weigh"][-1])["mass"] == 12.9


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"entry": "no-such-entry", "mass": "13"}, "allowed is one that stands"),
        ({"mass": "much"}, "allowed is a number"),
        ({}, "received the entry as it was"),
    ],
)
def test_a_change_that_cannot_be_made_withdraws_nothing(day: Shop, changes: dict[str, str], words: str) -> None:
    ana = Visitor(day)
    ana.sign_in()
    ana.ask("POST", "/log/felt", ana.felt(), Sec_Fetch_Site="same-origin")
    page = ana.ask("GET", "/tree/t-1")[1]
    before = len(day.heard.get("drymon/shop/log/undo", []))
    form = ana.felt(**{**change_of(page, "felt"), **changes})
    ana.ask("POST", "/log/change", form, Sec_Fetch_Site="same-origin")
    assert words in ana.ask("GET", "/tree/t-1")[1]
    assert len(day.heard.get("drymon/shop/log/undo", [])) == before


def test_on_a_phone_the_form_to_change_an_entry_unfolds_within_the_screen(day: Shop, open_browser: Open) -> None:
    phone = open_browser(360, 640)
    sign_in(phone, day, "ana")
    phone.get(f"{day.url}/tree/t-1")
    summary = settled(lambda: phone.find_element(By.CSS_SELECTOR, ".change summary"))
    assert summary.rect["height"] >= 44
    phone.execute_script("arguments[0].scrollIntoView({block: 'center'}); arguments[0].click()", summary)
    form = phone.find_element(By.CSS_SELECTOR, ".change[open] form")
    assert form.rect["width"] > 250
    assert phone.execute_script("return document.documentElement.scrollWidth") <= 360


def test_on_a_phone_a_drying_tree_is_a_low_row_and_a_pill_shows_its_kind_alone(day: Shop, open_browser: Open) -> None:
    """Eight trees in one and a half screens of 844 pixels: 158 for each and the gap above it."""
    phone = open_browser(390, 844)
    phone.get(day.url)
    rows = settled(lambda: [row.rect for row in phone.find_elements(By.CSS_SELECTOR, ".tag.drying")])
    assert len(rows) == 2
    assert all(row["height"] <= 140 for row in rows), rows
    pill = phone.find_element(By.ID, "only-drying")
    assert pill.rect["height"] >= 40
    tap(phone, "#only-drying")
    assert settled(lambda: [each.text for each in phone.find_elements(By.CSS_SELECTOR, ".tag h3")]) == ["t-1", "t-2"]
    assert "state=drying" in phone.current_url


def test_yesterdays_forgotten_dip_is_filed_by_taps_and_a_time(day: Shop, open_browser: Open) -> None:
    phone = open_browser(390, 844)
    sign_in(phone, day, path="/tree/t-50")
    for fold in ("#other-dip > summary", "#when-dip > summary"):
        folded = phone.find_element(By.CSS_SELECTOR, fold)
        phone.execute_script("arguments[0].scrollIntoView({block: 'center'})", folded)
        folded.click()
    form = phone.find_element(By.CSS_SELECTOR, "#other-dip form")
    form.find_element(By.CSS_SELECTOR, "select[name=coat] option[value=backup]").click()
    days = form.find_elements(By.CSS_SELECTOR, "select[name=day] option")
    days[2].click()
    phone.execute_script("arguments[0].value = '17:30'", form.find_element(By.NAME, "clock"))
    before = len(day.heard.get("drymon/shop/log/dip", []))
    tap(phone, "#other-dip form > button")
    assert until(lambda: len(day.heard["drymon/shop/log/dip"]) == before + 1)
    said = json.loads(day.heard["drymon/shop/log/dip"][-1])
    yesterday = datetime.now(ZONE).date() - timedelta(days=1)
    meant = datetime.combine(yesterday, time(17, 30), ZONE).astimezone(UTC)
    assert (said["tree"], said["coat"], said["by"]) == ("t-50", "backup", "ana")
    assert said["time"] == f"{meant:%Y-%m-%dT%H:%M:%SZ}"


def test_a_piece_is_asked_about_by_taps_and_answered_coat_by_coat(day: Shop, open_browser: Open) -> None:
    phone = open_browser(360, 740)
    phone.get(f"{day.url}/recipes")
    phone.find_element(By.CSS_SELECTOR, "select[name=metal] option:nth-child(3)").click()
    phone.find_element(By.NAME, "sharp").click()
    phone.find_element(By.NAME, "weight").send_keys("18")
    tap(phone, "main form button")
    told = settled(lambda: phone.find_element(By.CSS_SELECTOR, "main").text)
    assert "12 coats for iron, 18 kg, fine detail, sharp edges" in told
    assert "craze" not in told.split("The shop's own")[0]
    assert "standard, 4 coats" in told
    assert phone.execute_script("return document.documentElement.scrollWidth") == 360
    assert "allowed are bronze" in day.get("/recipes?metal=lead")[1]
    assert "allowed is a number" in day.get("/recipes?metal=iron&weight=much")[1]
