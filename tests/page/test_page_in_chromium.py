"""The page as people use it: a real Chromium, the real service, a real mosquitto."""

import signal
from collections.abc import Callable
from typing import Any

import pytest

from tests.page.conftest import Shop, settled, sign_in, tap, until

pytest.importorskip("selenium", reason="selenium is not installed: pip install drymon[test]")

from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

Open = Callable[..., Any]


def text_of(driver: Any, css: str = "body") -> str:
    return str(settled(lambda: driver.find_element(By.CSS_SELECTOR, css).text))


def test_one_tap_on_a_ready_tree_logs_the_next_dip_and_topic_and_verdict_follow(shop: Shop, open_browser: Open) -> None:
    shop.dry_tree("t-9")
    phone = open_browser(360, 740)
    sign_in(phone, shop)
    first = phone.find_element(By.CSS_SELECTOR, ".tag h3")
    assert first.text == "t-9", "the tree that is ready comes before those that dry"
    tap(phone, "#dip-t-9")
    assert "t-9 dipped, backup 2" in text_of(phone, "#flash")
    tag = phone.find_element(By.CSS_SELECTOR, "[aria-label='Tree t-9']")
    assert "Drying" in tag.text
    assert "Coat 2 of 4" in tag.text
    said = shop.heard["drymon/shop/log/dip"][-1].decode()
    assert '"by": "ana"' in said, "the event went by way of the broker, with the name of who tapped"
    verdict = until(lambda: (v := shop.verdict("t-9")) and v["number"] == 2 and v)
    assert verdict["state"] == "drying"
    assert verdict["coat"] == "backup"
    assert verdict["advice"].startswith("likely dry at")
    assert until(lambda: verdict["advice"] in text_of(phone, "[aria-label='Tree t-9'] .advice"))


def test_a_dip_is_taken_back_from_the_banner_that_confirmed_it(shop: Shop, open_browser: Open) -> None:
    shop.dry_tree("t-9")
    phone = open_browser(360, 740)
    sign_in(phone, shop)
    tap(phone, "#dip-t-9")
    tap(phone, "#flash button")
    assert "t-9: taken back, as if never said" in text_of(phone, "#flash")
    assert until(lambda: (v := shop.verdict("t-9")) and v["number"] == 1 and v["state"] == "ready")


def test_every_line_of_the_log_can_be_withdrawn_and_stays_there_struck_out(shop: Shop, open_browser: Open) -> None:
    """Weighed, then moved: the weighing goes, the move stays; then the leaving, which brings the tree back."""
    phone = open_browser(360, 740)
    sign_in(phone, shop, path="/tree/t-1")
    phone.find_element(By.ID, "mass").send_keys("12,40")
    tap(phone, "#weigh")
    Select(phone.find_element(By.CSS_SELECTOR, "form[action='/log/move'] select")).select_by_value("rack-b")
    tap(phone, "form[action='/log/move'] button")
    assert until(lambda: (shop.verdict("t-1") or {}).get("rack") == "rack-b")
    tap(phone, "[aria-labelledby=events] li:nth-child(2) button")
    assert "taken back, as if never said (weighed: 12.4 kg, told for" in text_of(phone, "#flash")
    assert text_of(phone, "[aria-labelledby=events] s") == "weighed: 12.4 kg"
    assert text_of(phone, "[aria-labelledby=events] .back").endswith("by ana")
    assert not phone.find_elements(By.CSS_SELECTOR, "[aria-labelledby=weights]")
    assert (shop.verdict("t-1") or {})["rack"] == "rack-b"
    tap(phone, "form[action='/log/leave'] button")
    assert "t-1 does not hang in the room" in text_of(phone, "main")
    phone.get(f"{shop.url}/log")
    tap(phone, ".lines li:first-child button")
    assert "taken back, as if never said (left the room, told for" in text_of(phone, "#flash")
    assert until(lambda: (shop.verdict("t-1") or {}).get("rack") == "rack-b")


def test_every_kind_of_log_is_a_tap_away_on_the_trees_page(shop: Shop, open_browser: Open) -> None:
    tablet = open_browser(820, 1180)
    sign_in(tablet, shop, path="/tree/t-1")
    tap(tablet, "#felt-wet")
    assert "t-1 felt wet" in text_of(tablet, "#flash")
    tablet.find_element(By.ID, "mass").send_keys("12,40")
    tap(tablet, "#weigh")
    assert "t-1 weighs 12.4 kg" in text_of(tablet, "#flash")
    assert "12.400 kg" in text_of(tablet, "main")
    tap(tablet, "#sound")
    assert "looked at t-1, sound" in text_of(tablet, "#flash")
    Select(tablet.find_element(By.CSS_SELECTOR, "form[action='/log/move'] select")).select_by_value("rack-b")
    tap(tablet, "form[action='/log/move'] button")
    assert "t-1 hangs on rack-b now" in text_of(tablet, "#flash")
    assert until(lambda: (shop.verdict("t-1") or {}).get("rack") == "rack-b")
    tap(tablet, "form[action='/log/leave'] button")
    assert "t-1 does not hang in the room" in text_of(tablet, "main")
    tablet.get(f"{shop.url}/rack/rack-a")
    tap(tablet, "form[action='/log/fan'] button")
    assert "fans of rack-a on" in text_of(tablet, "#flash")
    for event in ("felt", "weigh", "look", "move", "leave", "fan"):
        assert shop.heard.get(f"drymon/shop/log/{event}"), event


def test_a_new_tree_is_hung_by_its_recipe(shop: Shop, open_browser: Open) -> None:
    phone = open_browser(360, 740)
    sign_in(phone, shop, path="/new")
    phone.find_element(By.NAME, "tree").send_keys("heron")
    tap(phone, "main button")
    tap(phone, "button.dark")
    assert "heron dipped, prime-first 1" in text_of(phone, "#flash")
    assert "Coat 1 of 4 · face coat" in text_of(phone, "main")


def test_two_phones_see_the_same_and_the_slower_tap_changes_nothing(shop: Shop, open_browser: Open) -> None:
    shop.add_user("bo")  # while the service runs
    shop.dry_tree("t-9")
    first, second = open_browser(360, 740), open_browser(360, 740)
    sign_in(first, shop)
    sign_in(second, shop, name="bo")
    tap(first, "#dip-t-9")
    assert "t-9 dipped" in text_of(first, "#flash")
    tap(second, "#dip-t-9")
    assert "has changed since this page was shown" in text_of(second, "#flash")
    assert (shop.verdict("t-9") or {})["number"] == 2
    assert len([said for said in shop.heard["drymon/shop/log/dip"] if b"page-" in said]) == 1


def test_a_page_left_open_follows_what_others_log(shop: Shop, open_browser: Open) -> None:
    tablet = open_browser(820, 1180)
    tablet.get(shop.url)
    shop.say("log/dip", {"tree": "t-30", "rack": "rack-b", "coat": "backup", "number": 4})
    seen = until(lambda: tablet.find_elements(By.CSS_SELECTOR, "[aria-label='Tree t-30']"), 20)
    assert seen, "the page asks again every twelve seconds"


def test_a_page_without_news_greys_and_says_unknown(shop: Shop, open_browser: Open) -> None:
    tablet = open_browser(820, 1180)
    tablet.get(shop.url)
    assert "Drying" in text_of(tablet, ".tag")
    assert shop.service is not None
    shop.service.send_signal(signal.SIGSTOP)  # the worst case: the connection stands, nothing answers
    assert until(lambda: "stale" in tablet.find_element(By.TAG_NAME, "body").get_attribute("class").split(), 75)
    assert "No news from the service" in text_of(tablet, "#stale")
    assert "Read every tree as unknown" in text_of(tablet, "#stale")
    tag = text_of(tablet, ".tag")
    assert "Unknown" in tag
    assert "Drying" not in tag
    assert "water gone" not in tag
    shop.service.send_signal(signal.SIGCONT)
    assert until(lambda: "Drying" in text_of(tablet, ".tag"), 90), "news comes back, and so does the verdict"


def test_a_wrong_password_lets_nobody_in_and_says_so(shop: Shop, open_browser: Open) -> None:
    phone = open_browser(360, 740)
    sign_in(phone, shop, password="not this one at all")
    assert "name and password do not belong together" in text_of(phone, "#problem")
    phone.get(shop.url)
    assert "Sign in to log" in text_of(phone, ".who")
    assert not phone.find_elements(By.CSS_SELECTOR, "form[action^='/log']")


def test_everything_works_from_the_keyboard(shop: Shop, open_browser: Open) -> None:
    shop.dry_tree("t-9")
    desk = open_browser(1280, 900)
    desk.get(f"{shop.url}/sign-in")
    ActionChains(desk).send_keys(Keys.TAB).perform()
    assert desk.switch_to.active_element.text == "To the trees", "the first stop skips the head of the page"
    name = desk.find_element(By.NAME, "name")
    while desk.switch_to.active_element != name:
        ActionChains(desk).send_keys(Keys.TAB).perform()
    ActionChains(desk).send_keys("ana", Keys.TAB, "wet gloves and warm tea", Keys.ENTER).perform()
    assert until(lambda: desk.find_elements(By.ID, "dip-t-9"))
    stops = []
    for _ in range(40):
        ActionChains(desk).send_keys(Keys.TAB).perform()
        stops.append(desk.switch_to.active_element.get_attribute("id"))
        if stops[-1] == "dip-t-9":
            break
    assert stops[-1] == "dip-t-9", stops
    ring = desk.execute_script("return getComputedStyle(document.activeElement).outlineWidth")
    assert ring == "3px", "where the keyboard is must be seen"
    ActionChains(desk).send_keys(Keys.ENTER).perform()
    assert until(lambda: desk.find_elements(By.ID, "flash"))
    assert "t-9 dipped" in text_of(desk, "#flash")
