"""The page of the tanks, on a phone: a check is logged, seen, told before a dip and taken back."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.page.conftest import Shop, settled, sign_in, tap, until

pytest.importorskip("selenium", reason="selenium is not installed: pip install drymon[test]")

from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select

Open = Callable[..., Any]

TANKS = """
[[slurry]]
name = "backup-tank"
label = "Backup tank"
coats = ["backup"]
cup = "iso-2431-4"
seconds = [32, 38]
temperature = [20, 24]
density = [1.78, 1.86]
ph = [8.5, 9.5]
surface_m2 = 0.5
[[slurry]]
name = "prime-tank"
coats = ["prime-first"]
cup = "astm-d4212-z4"
seconds = [20, 26]
"""


@pytest.fixture(scope="module")
def tanks(tmp_path_factory: pytest.TempPathFactory, broker_program: str) -> Iterator[Shop]:
    """A shop with two tanks and a tree whose next coat is a backup."""
    running = Shop(tmp_path_factory.mktemp("tanks"))
    room = running.home / "room.toml"
    room.write_text(room.read_text() + TANKS)
    try:
        running.add_user("ana")
        running.serve()
        running.air()
        running.say("log/dip", {"tree": "t-1", "rack": "rack-a", "coat": "prime-first", "recipe": "standard"})
        assert until(lambda: running.verdict("t-1")), running.log.read_text()
        yield running
    finally:
        running.close()


def text_of(driver: Any, css: str) -> str:
    return str(settled(lambda: driver.find_element(By.CSS_SELECTOR, css).text))


def said(shop: Shop, event: str = "slurry") -> list[dict[str, Any]]:
    return [json.loads(each) for each in shop.heard.get(f"drymon/shop/log/{event}", [])]


def fill(driver: Any, tank: str, **numbers: str) -> None:
    for name, number in numbers.items():
        driver.find_element(By.CSS_SELECTOR, f"#check-{tank} input[name={name}]").send_keys(number)


def test_a_check_is_logged_told_before_the_dip_and_taken_back(tanks: Shop, open_browser: Open) -> None:
    phone = open_browser(360, 740)
    sign_in(phone, tanks, path="/tree/t-1")
    assert "slurry backup-tank has not been checked: check it first" in text_of(phone, "#tank")
    tap(phone, '.tabs a[href="/slurry"]')
    assert "never checked" in text_of(phone, "#tank-backup-tank")
    fill(phone, "backup-tank", seconds="41", temperature="22", density="1,84", ph="9.1", water_added="0.2")
    tap(phone, "#check-backup-tank button.dark")
    assert "Logged: slurry backup-tank: 41 s, 22 °C, 1.84 kg/L, pH 9.1, 0.2 L of water added, stirred" in text_of(
        phone, "#flash"
    )
    (check,) = said(tanks)
    assert (check["seconds"], check["density"], check["stirred"], check["by"]) == (41.0, 1.84, True, "ana")
    whole = text_of(phone, "main")
    assert "41 s, thicker than 32 to 38 s" in whole
    assert "too thick: add a little water, stir, then check with the cup" in whole
    assert "51.3 mm²/s" in whole
    phone.get(f"{tanks.url}/tree/t-1")
    assert "slurry backup-tank is out of band: 41 s, thicker than 32 to 38 s" in text_of(phone, "#tank")
    phone.get(f"{tanks.url}/log")
    assert "slurry backup-tank: 41 s" in text_of(phone, ".lines")
    phone.get(f"{tanks.url}/slurry")
    tap(phone, "#check-backup-tank form:last-of-type button")
    assert "Logged: backup-tank: taken back, as if never said (slurry backup-tank: 41 s" in text_of(phone, "#flash")
    assert "never checked" in text_of(phone, "#tank-backup-tank")
    phone.get(f"{tanks.url}/log")
    assert "taken back" in text_of(phone, ".lines")


def test_a_tree_s_page_says_what_the_slurry_of_its_coat_was_taken_to_bring(tanks: Shop) -> None:
    tanks.say("log/slurry", {"slurry": "backup-tank", "seconds": 44, "id": "s-thick"})
    tanks.say("log/dip", {"tree": "t-2", "rack": "rack-a", "coat": "backup", "id": "d-thick"})
    assert until(lambda: tanks.verdict("t-2")), tanks.log.read_text()
    told = "Dipped in backup-tank at 44 s of its cup, the middle of its band is 35 s: about 12 % more water counted"
    assert told in tanks.get("/tree/t-2")[1]
    assert "dipped-in" not in tanks.get("/tree/t-1")[1]
    assert "Slurry half as thick again: about 18 % more water" in tanks.get("/coat/backup")[1]
    tanks.say("log/undo", {"slurry": "backup-tank"})
    assert until(lambda: "dipped-in" not in tanks.get("/tree/t-2")[1])
    tanks.say("log/leave", {"tree": "t-2"})


def test_a_slip_is_answered_and_logs_nothing(tanks: Shop, open_browser: Open) -> None:
    phone = open_browser(360, 740)
    sign_in(phone, tanks, path="/slurry")
    before = len(said(tanks))
    Select(phone.find_element(By.CSS_SELECTOR, "#check-prime-tank select[name=stirred]")).select_by_value("")
    tap(phone, "#check-prime-tank button.dark")
    assert "slurry: received nothing of the tank" in text_of(phone, "#flash")
    fill(phone, "prime-tank", ph="91")
    tap(phone, "#check-prime-tank button.dark")
    assert "ph: received 91.0; allowed is 0 to 14" in text_of(phone, "#flash")
    assert len(said(tanks)) == before


@pytest.mark.parametrize("width", [360, 320])
def test_the_page_fits_a_phone_and_a_glove(tanks: Shop, open_browser: Open, width: int, tmp_path: Path) -> None:
    tanks.say("log/slurry", {"slurry": "prime-tank", "seconds": 23, "stirred": True, "by": "kim"})
    phone = open_browser(width, 740)
    sign_in(phone, tanks, path="/slurry")

    def state() -> str:
        phone.get(f"{tanks.url}/slurry")
        return text_of(phone, "#tank-prime-tank")

    assert until(lambda: "in band" in state())
    assert phone.execute_script("return document.documentElement.scrollWidth") <= width
    small = phone.execute_script(
        "return [...document.querySelectorAll('main button, main input:not([type=hidden]), main select, main summary, "
        ".tabs a')].map(e => [e.outerHTML.slice(0, 60), e.getBoundingClientRect()])"
        ".filter(([, r]) => r.width && (r.width < 44 || r.height < 43.9)).map(([what, r]) => `${what} ${r.height}`)"
    )
    assert small == []
    names = phone.execute_script(
        "return [...document.querySelectorAll('.tabs a span:not(.unseen)')].filter(e => e.scrollWidth > "
        "e.parentElement.clientWidth).map(e => e.textContent)"
    )
    assert names == []
    phone.save_screenshot(str(tmp_path / "slurry.png"))


def test_whoever_only_reads_sees_the_tanks_and_no_form(tanks: Shop) -> None:
    status, body, _ = tanks.get("/slurry")
    assert status == 200
    assert "Backup tank" in body
    assert "Log a check" not in body


def test_the_months_are_a_picture(tanks: Shop) -> None:
    tanks.say("log/slurry", {"slurry": "prime-tank", "seconds": 24})
    path = "/picture/slurry/prime-tank.svg"
    assert until(lambda: tanks.get(path)[0] == 200, 90), tanks.log.read_text()[-2000:]  # a busy machine draws late
    _, body, headers = tanks.get(path)
    assert headers["Content-Type"].startswith("image/svg+xml")
    assert "asked: 20 to 26" in body
    done = tanks.drymon("plot", "slurry", "prime-tank", "--out", str(tanks.home / "tank.svg"))
    assert done.returncode == 0, done.stderr
    assert "asked: 20 to 26" in (tanks.home / "tank.svg").read_text()
    strange = tanks.drymon("plot", "slurry", "prim-tank")
    assert strange.returncode != 0
    assert "on record are checks of" in strange.stderr
    assert "did you mean prime-tank" in strange.stderr
