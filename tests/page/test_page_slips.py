"""What the page asks before it logs, and what it answers: a real Chromium, the real service, a real mosquitto."""

import json
import re
from collections.abc import Callable
from typing import Any

import pytest

from tests.page.conftest import Shop, settled, sign_in, tap, until
from tests.page.test_page_access import Visitor

pytest.importorskip("selenium", reason="selenium is not installed: pip install drymon[test]")

from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select

Open = Callable[..., Any]


def text_of(driver: Any, css: str) -> str:
    return str(settled(lambda: driver.find_element(By.CSS_SELECTOR, css).text))


def weigh(driver: Any, mass: str, unit: str = "kg") -> None:
    field = driver.find_element(By.ID, "mass")
    field.clear()
    field.send_keys(mass)
    Select(driver.find_element(By.CSS_SELECTOR, ".weigh select[name=unit]")).select_by_visible_text(unit)
    tap(driver, "#weigh")


def weighed(shop: Shop) -> list[tuple[float, str]]:
    said = [json.loads(each) for each in shop.heard.get("drymon/shop/log/weigh", [])]
    return [(one["mass"], one["unit"]) for one in said]


def test_a_weighing_far_from_the_last_one_is_asked_about(shop: Shop, open_browser: Open) -> None:
    phone = open_browser(360, 740)
    sign_in(phone, shop, path="/tree/t-1")
    weigh(phone, "3.29")
    assert "t-1 weighs 3.29 kg" in text_of(phone, "#flash")
    weigh(phone, "32.92")
    asked = text_of(phone, "#flash")
    assert "t-1 weighed 3.29 kg at" in asked
    assert "32.92 kg is 10 times that" in asked
    assert "Nothing was logged" in asked
    assert weighed(shop) == [(3.29, "kg")]
    weigh(phone, "3.26")  # whoever sees the slip types it anew
    assert "t-1 weighs 3.26 kg" in text_of(phone, "#flash")
    weigh(phone, "32.92")
    assert text_of(phone, "#insist") == "It is right: log 32.92 kg"
    tap(phone, "#insist")
    assert "Logged: t-1 weighs 32.92 kg" in text_of(phone, "#flash")
    assert until(lambda: weighed(shop) == [(3.29, "kg"), (3.26, "kg"), (32.92, "kg")])
    assert "/tree/t-1" in phone.current_url


def test_what_was_insisted_on_is_that_number_and_no_other(shop: Shop) -> None:
    ana = Visitor(shop)
    ana.sign_in()
    for mass, sure, logged in (("3.29", "", True), ("329", "32.9", False), ("329", "329", True)):
        form = {**ana.felt(mass=mass, unit="kg", sure=sure)}
        ana.ask("POST", "/log/weigh", form, Sec_Fetch_Site="same-origin")
        flash = re.search(r'id="flash">(.*?)</div>', ana.ask("GET", "/tree/t-1")[1], re.DOTALL)
        assert flash
        assert ("Logged: t-1 weighs" in flash[1]) is logged, flash[1]


def test_a_tree_is_hung_under_the_name_on_its_tag(shop: Shop, open_browser: Open) -> None:
    """A capital, a space, an umlaut: the page goes by the name that they make, and shows what was written."""
    phone = open_browser(360, 740)
    sign_in(phone, shop, path="/new")
    phone.find_element(By.NAME, "tree").send_keys("Löwe 3")
    tap(phone, "main button")
    assert "/tree/loewe-3" in phone.current_url
    assert text_of(phone, "h1").startswith("Löwe 3")
    tap(phone, ".log button.dark")
    assert until(lambda: (shop.verdict("loewe-3") or {}).get("label") == "Löwe 3")
    phone.get(f"{shop.url}/")
    assert text_of(phone, "#t-loewe-3") == "Löwe 3"
    phone.get(f"{shop.url}/new?tree=T%2B3")
    assert "allowed are letters, digits, spaces" in text_of(phone, "#rule")


def test_a_coat_that_room_toml_has_not_is_refused_with_the_near_names(shop: Shop) -> None:
    """A page left open while room.toml changed, or a script that posts as the page does."""
    ana = Visitor(shop)
    ana.sign_in()
    form = ana.felt(coat="primefirst", rack="rack-a", number="2")
    ana.ask("POST", "/log/dip", form, Sec_Fetch_Site="same-origin")
    flash = re.search(r'id="flash">(.*?)</div>', ana.ask("GET", "/tree/t-1")[1], re.DOTALL)
    assert flash
    assert "did you mean prime-first?" in flash[1]
    assert "nothing was logged" in flash[1]
    assert (shop.verdict("t-1") or {})["number"] == 1


def test_an_early_dip_is_warned_of_and_answered_with_what_is_likely(shop: Shop, open_browser: Open) -> None:
    phone = open_browser(360, 740)
    sign_in(phone, shop, path="/tree/t-1")
    caution = text_of(phone, ".caution")
    assert re.search(
        r"t-1 is not ready: likely dry at .*\d\d:\d\d: touch-test it.*A dip now shuts its water in", caution
    )
    tap(phone, "#dip")
    assert re.search(r"Logged: t-1 dipped, backup 2; likely dry .*\d\d:\d\d", text_of(phone, "#flash"))
