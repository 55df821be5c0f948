"""A wet cloth and a weighed dip on the page: a real Chromium, the real service, a real mosquitto."""

import re
import urllib.request
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest

from drymon.store import Calibration, Store
from tests.page.conftest import Shop, settled, sign_in, tap, until
from tests.page.test_page_access import Visitor

pytest.importorskip("selenium", reason="selenium is not installed: pip install drymon[test]")

from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select

Open = Callable[..., Any]


@pytest.fixture
def calm(shop: Shop) -> Shop:
    """The shop with a rack that has air on record for the last hour, and no anemometer: rack-b's own."""
    now = datetime.now(UTC)
    for minute in range(60, -1, -1):
        time = f"{now - timedelta(minutes=minute):%Y-%m-%dT%H:%M:%SZ}"
        for quantity, value in (("temperature", 22.0), ("humidity", 50.0)):
            shop.say(f"rack-b/{quantity}", {"value": value, "time": time})
    room = shop.home / "room.toml"
    shop.stop()
    room.write_text(room.read_text().replace('name = "rack-b"', 'name = "rack-b"\nair = ["rack-b"]'))
    shop.heard.clear()
    shop.serve()
    assert until(lambda: shop.verdict("t-2")), shop.log.read_text()
    return shop


def text_of(driver: Any, css: str = "main") -> str:
    return str(settled(lambda: driver.find_element(By.CSS_SELECTOR, css).text))


def type_in(driver: Any, name: str, text: str) -> None:
    field = driver.find_element(By.CSS_SELECTOR, f"main input[name={name}]:not([type=hidden])")
    field.clear()
    field.send_keys(text)


def weigh(driver: Any, mass: str, ago: str) -> None:
    type_in(driver, "mass", mass)
    Select(driver.find_element(By.NAME, "ago")).select_by_value(ago)
    tap(driver, "#note")


def calibrations(home: Path) -> list[Calibration]:
    with Store.open(home / "drymon.db", readonly=True) as store:
        return store.calibrations()


def reason(shop: Shop, tree: str, code: str = "airflow-assumed") -> str:
    reasons = (shop.verdict(tree) or {}).get("reasons", [])
    return next((str(one["text"]) for one in reasons if one["code"] == code), "")


def test_a_cloth_is_weighed_step_by_step_kept_and_taken_back(calm: Shop, open_browser: Open) -> None:
    """From the rack's page on a phone; the tree that hangs there goes by it at once, and no more when it is back."""
    phone = open_browser(360, 740)
    sign_in(phone, calm, path="/rack/rack-b")
    tap(phone, "#cloth")
    assert "Hang nothing over a cable" in text_of(phone)
    type_in(phone, "size", "10x60")
    type_in(phone, "strips", "4")
    weigh(phone, "412", "30")
    assert "Of 4 strips of 10x60" in text_of(phone)
    phone.get(phone.current_url)  # the page was closed meanwhile
    weigh(phone, "371", "0")
    told = text_of(phone, "#outcome")
    assert re.search(r"the air at rack-b dries like [0-9.]+ m/s \([0-9.]+ to [0-9.]+\)", told)
    assert "lost 41 g in 30 min from 0.48 m2" in told
    assert "by the sensors on record" in told
    assert re.search(r"likely dry after [0-9.]+ h, sure by [0-9.]+ h; before: likely dry", told)
    assert calibrations(calm.home) == []
    tap(phone, "#keep")
    assert "Kept: the air at rack-b dries like" in text_of(phone, "#flash")
    assert "/rack/rack-b" in phone.current_url
    assert [one.sensor for one in calibrations(calm.home)] == ["rack-b/wet-cloth"]
    assert until(lambda: "by its wet cloth it dries like" in reason(calm, "t-2")), reason(calm, "t-2")
    tap(phone, "#cloth")
    assert "What stands" in text_of(phone)
    tap(phone, "[aria-labelledby=stands-1] button")
    assert "is taken back; the assumed range holds" in text_of(phone, "#flash")
    assert calibrations(calm.home) == []
    assert until(lambda: "between 0.3 and 2 m/s" in reason(calm, "t-2")), reason(calm, "t-2")
    with Store.open(calm.home / "drymon.db", readonly=True) as store:
        trail = [(line.who, line.what) for line in store.audit() if "wet-cloth" in line.what]
    assert trail == [("ana", "kept a wet-cloth"), ("ana", "took a wet-cloth back")]


def test_a_weighing_is_withdrawn_and_what_tells_nothing_says_why(calm: Shop, open_browser: Open) -> None:
    phone = open_browser(360, 740)
    sign_in(phone, calm, path="/rack/rack-b/cloth")
    type_in(phone, "size", "10x60")
    weigh(phone, "412", "30")
    weigh(phone, "408", "0")
    assert "it lost 4 g; at least 10 steps of the scale's digits are needed" in text_of(phone, "#problem")
    assert not phone.find_elements(By.ID, "keep")
    tap(phone, ".lines .back")
    assert "408" not in text_of(phone)
    assert "412 g" in text_of(phone)


def test_where_an_anemometer_reports_nothing_is_offered_to_be_kept(shop: Shop, open_browser: Open) -> None:
    now = datetime.now(UTC)
    for minute in range(60, -1, -1):
        time = f"{now - timedelta(minutes=minute):%Y-%m-%dT%H:%M:%SZ}"
        for quantity, value in (("temperature", 22.0), ("humidity", 50.0), ("airflow", 1.2)):
            shop.say(f"rack-a/{quantity}", {"value": value, "time": time})
    tablet = open_browser(820, 1180)
    sign_in(tablet, shop)
    masses = [(now - timedelta(minutes=35), 412), (now - timedelta(minutes=5), 371)]
    words = [f"{time:%Y-%m-%dT%H:%M:%SZ}={mass} g" for time, mass in masses]
    query = urlencode({"size": "10x60", "strips": "4", "w": words}, doseq=True)
    assert until(lambda: "anemometer" in looked_at(tablet, f"{shop.url}/rack/rack-a/cloth?{query}"))
    assert "it counts for the trees, so the cloth is told, not kept" in text_of(tablet, "#outcome")
    assert not tablet.find_elements(By.ID, "keep")


def looked_at(driver: Any, url: str) -> str:
    driver.get(url)
    return text_of(driver)


def test_a_dip_is_weighed_before_and_after_and_kept(shop: Shop, open_browser: Open) -> None:
    phone = open_browser(360, 740)
    sign_in(phone, shop, path="/coat/backup")
    tap(phone, "#pickup")
    type_in(phone, "size", "10x10x1")
    type_in(phone, "before", "512")
    tap(phone, "#work-out")
    assert "Before the dip it weighed 512 g. Dip it, let it drain" in text_of(phone, "#now-dip")
    type_in(phone, "after", "536")
    type_in(phone, "solids", "73")
    tap(phone, "#work-out")
    assert "backup brings 0.27 kg/m2 of water (0.2 to 0.36)" in text_of(phone, "#outcome")
    tap(phone, "#keep")
    assert "Kept: backup brings 0.27 kg/m2 of water" in text_of(phone, "#flash")
    assert [one.sensor for one in calibrations(shop.home)] == ["backup/pickup"]
    assert "The water of weighed dips is counted" in text_of(phone)
    tap(phone, "#pickup")
    tap(phone, "[aria-labelledby=stands-1] button")
    assert "the starting range holds" in text_of(phone, "#flash")
    assert calibrations(shop.home) == []


def test_a_strange_result_is_insisted_on_by_its_own_words_alone(shop: Shop) -> None:
    """What was insisted on is that very result; with other numbers it is asked about anew."""
    ana = Visitor(shop)
    ana.sign_in()
    form = {**ana.felt(), "before": "512", "size": "10x10x1", "solids": "40"}
    for after, sure, kept in (("572", "", 0), ("572", "another", 0), ("572", None, 1)):
        page = unescape(ana.ask("GET", f"/coat/backup/pickup?{urlencode({**form, 'after': after})}")[1])
        assert "It is right all the same: keep it" in page
        verdict = re.search(r'name="sure" value="([^"]+)"', page)
        assert verdict
        said = {**form, "after": after, "sure": verdict[1] if sure is None else sure}
        ana.ask("POST", "/coat/backup/pickup", said, Sec_Fetch_Site="same-origin")
        assert len(calibrations(shop.home)) == kept


@pytest.mark.parametrize("path", ["/rack/rack-a/cloth", "/coat/backup/pickup"])
def test_whoever_is_not_signed_in_may_read_and_keeps_nothing(shop: Shop, path: str) -> None:
    status, page, _ = shop.get(path)
    assert status == 200
    assert "What to do" in page
    assert "<button" not in page.split("<main")[1]
    stranger = Visitor(shop)
    status = stranger.ask("POST", path, {"act": "take-back", "sensor": "x"}, Sec_Fetch_Site="same-origin")[0]
    assert status == 401


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/rack/rack-z/cloth", 404),
        ("/coat/mud/pickup", 404),
        ("/rack/rack-a/cloth?w=x&w=1%3D2&size=1", 200),
        ("/rack/rack-a/cloth?mass=41x&size=10x60", 200),
        ("/rack/rack-a/cloth?mass=412&ago=7&size=10x60", 200),
        ("/coat/backup/pickup?before=1&after=x", 200),
        (f"/coat/backup/pickup?before={'9' * 3000}&after=1", 200),
    ],
)
def test_nonsense_in_the_address_is_answered(still_shop: Shop, path: str, status: int) -> None:
    assert still_shop.get(path)[0] == status


def test_a_weighing_is_noted_with_its_time(still_shop: Shop) -> None:
    """Ten minutes ago, by the service's clock; the address carries it."""
    request = f"{still_shop.url}/rack/rack-a/cloth?size=10x60&mass=412,5&unit=g&ago=10"
    with urllib.request.urlopen(request, timeout=20) as answer:
        word = parse_qs(urlsplit(answer.url).query)["w"][0]
    time, _, mass = word.partition("=")
    assert mass == "412,5 g"
    away = datetime.now(UTC) - datetime.fromisoformat(time)
    assert timedelta(minutes=9.9) < away < timedelta(minutes=11)
