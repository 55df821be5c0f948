"""How the page looks and reads: widths, targets, contrast, an independent accessibility checker; in a real Chromium."""

from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from tests.page.conftest import Shop, sign_in

pytest.importorskip("selenium", reason="selenium is not installed: pip install drymon[test]")

Open = Callable[..., Any]
PAGES = (
    "/",
    "/tree/t-1",
    "/tree/t-9",
    "/tree/t-77",
    "/rack/rack-a",
    "/alarms",
    "/evidence",
    "/coat/backup",
    "/rack/rack-b/cloth?size=10x60&strips=4&w=2031-03-03T08:00:00Z%3D412+g&w=2031-03-03T08:20:00Z%3D385+g"
    "&temperature=22&humidity=50",
    "/coat/backup/pickup?size=10x10x1&before=512&after=572&solids=40",
    "/new",
    "/log",
    "/sign-in",
)


def width_of(driver: Any) -> tuple[int, int]:
    """How wide the content is, and how wide the screen."""
    wide = driver.execute_script("return [document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    return wide[0], wide[1]


@pytest.mark.parametrize(("width", "height", "factor"), [(360, 740, 1), (320, 640, 1), (1280, 800, 2)])
def test_no_page_scrolls_sideways_on_a_phone_or_at_double_size(
    still_shop: Shop, open_browser: Open, width: int, height: int, factor: int
) -> None:
    """WCAG 2.2, 1.4.10 asks for 320 px. A zoom of 200 % halves the width in CSS pixels that a window has."""
    driver = open_browser(width // factor, height // factor)
    sign_in(driver, still_shop)
    for page in PAGES:
        driver.get(still_shop.url + page)
        content, screen = width_of(driver)
        assert content <= screen, f"{page}: {content} px in {screen} px"
        hidden = driver.execute_script(
            "return [...document.querySelectorAll('main button, main .more, main b')].filter(e => e.offsetParent && "
            "(e.getBoundingClientRect().right > innerWidth + 1 || e.getBoundingClientRect().left < 0)).length"
        )
        assert hidden == 0, page


def test_targets_are_big_enough_for_gloves(still_shop: Shop, open_browser: Open) -> None:
    """At least 44 px, as WCAG 2.2, 2.5.5 (level AAA) asks; links inside a sentence are excepted there, too."""
    phone = open_browser(360, 740)
    sign_in(phone, still_shop)
    for page in (
        *("/", "/tree/t-9", "/rack/rack-a", "/alarms", "/new", "/sign-in"),
        *("/rack/rack-b/cloth", "/coat/backup/pickup"),
    ):
        phone.get(still_shop.url + page)
        small = phone.execute_script(
            "return [...document.querySelectorAll('button, select, input:not([type=hidden]), summary, .more,"
            " nav a, h2 a, h3 a')].filter(e => e.offsetParent)"
            ".map(e => [e.outerHTML.slice(0, 90), e.getBoundingClientRect()])"
            ".filter(([, r]) => r.width < 44 || r.height < 43.9).map(([what, r]) => `${what} ${r.width}x${r.height}`)"
        )
        assert small == [], page


def test_axe_finds_nothing_serious(still_shop: Shop, open_browser: Open) -> None:
    """axe-core, an independent accessibility checker, on every page; colour contrast is among its rules."""
    package = pytest.importorskip("axe_selenium_python", reason="axe-selenium-python is not installed")
    script = next(Path(str(files(package))).rglob("axe.min.js")).read_text(encoding="utf-8")
    phone = open_browser(360, 740)
    sign_in(phone, still_shop)
    for page in PAGES:
        phone.get(still_shop.url + page)
        phone.execute_script(script)
        found = phone.execute_async_script(
            "const done = arguments[arguments.length - 1]; axe.run(document).then(r => done([r.passes.length, "
            "r.violations.map(v => [v.impact, v.id, v.nodes.map(n => n.html.slice(0, 120))])]))"
        )
        assert found[0] > 10, f"{page}: the checker ran"
        serious = [violation for violation in found[1] if violation[0] in ("serious", "critical")]
        assert serious == [], page


def test_all_text_has_the_contrast_that_wcag_asks_for(still_shop: Shop, open_browser: Open) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1, computed with its definitions of relative luminance and contrast ratio."""
    desk = open_browser(1280, 900)
    sign_in(desk, still_shop)
    desk.execute_script("document.getElementById('stale').hidden = false")
    pairs = desk.execute_script(
        "const seen = [];"
        "for (const e of document.querySelectorAll('body *')) {"
        "  const own = [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());"
        "  if (!own || !e.offsetParent) continue;"
        "  let ground = e; while (ground && /rgba\\(.*, 0\\)$/.test(getComputedStyle(ground).backgroundColor))"
        "    ground = ground.parentElement;"
        "  seen.push([e.textContent.trim().slice(0, 40), getComputedStyle(e).color,"
        "    ground ? getComputedStyle(ground).backgroundColor : 'rgb(255, 255, 255)']);"
        "} return seen"
    )
    assert len(pairs) > 40
    low = [(text, round(ratio, 2)) for text, ink, ground in pairs if (ratio := contrast(ink, ground)) < 4.5]
    assert low == []
    fills = {ground for _, _, ground in pairs}
    assert "rgb(0, 158, 115)" in fills, "ready: bluish green of Okabe and Ito"
    assert "rgb(86, 180, 233)" in fills, "drying: sky blue of Okabe and Ito"


def test_every_state_has_a_word_and_a_shape_of_its_own(still_shop: Shop, open_browser: Open) -> None:
    desk = open_browser(1280, 900)
    desk.get(still_shop.url)
    faces = desk.execute_script(
        "return [...document.querySelectorAll('.tag')].map(t => [t.querySelector('.live b').textContent,"
        " t.querySelector('.live .shape').innerHTML.trim(),"
        " getComputedStyle(t.querySelector('.state')).backgroundColor])"
    )
    kinds = {tuple(face) for face in faces}
    assert {word for word, _, _ in kinds} == {"Ready", "Drying", "Unknown"}
    assert len({shape for _, shape, _ in kinds}) == 3
    assert len({colour for _, _, colour in kinds}) == 3


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two CSS colours (WCAG 2.2, definition of contrast ratio)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.2, definition of relative luminance)."""
    parts = [float(part) / 255 for part in colour[colour.index("(") + 1 : -1].split(",")[:3]]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_the_contrast_formula_gives_the_known_values() -> None:
    """Black on white is 21 to 1 (WCAG 2.2); #767676 on white is the well-known grey that just passes 4.5."""
    assert contrast("rgb(0, 0, 0)", "rgb(255, 255, 255)") == pytest.approx(21.0)
    assert contrast("rgb(118, 118, 118)", "rgb(255, 255, 255)") == pytest.approx(4.54, abs=0.01)
