"""The report of a fit as a phone and a wide screen show it: a real fit of invented weighings, in a real Chromium."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drymon.drying import ensemble
from drymon.learning.fit import fit_all
from drymon.learning.run import Run, RunAir
from drymon.messages.coat_models import load_models
from drymon.shop.facts.setup import CoatType, RoomSetup
from drymon.views.fit.fit_report import write_report

pytest.importorskip("selenium", reason="selenium is not installed: pip install drymon[test]")

Open = Callable[..., Any]
HOURS = np.array([0.1, 0.4, 0.8, 1.2, 1.8, 2.5, 3.5, 5.0, 7.0])


def weighed(number: int) -> Run:
    """A plain exponential of some 1.2 h in the reference air."""
    edges = 3600.0 * np.linspace(0.0, 8.0, 97)
    steady = np.ones(96)
    reference = ensemble.REFERENCE_AIR
    air = RunAir(edges, reference.deficit * steady, reference.saturation * steady, 0.0 * steady,
                 reference.resistance * steady, 22 * steady, 50 * steady, 0.6 * steady, steady > 0)  # fmt: skip
    masses = 3.0 + 0.15 * np.exp(-HOURS / (1.2 + 0.02 * number))
    return Run(f"t-{number}.3.20310303T0700", f"t-{number}", "backup", 3, "open", "rack-a", 1e9 + 1e5 * number,
               3600.0 * HOURS, masses, 0.001 * np.ones(len(HOURS)), air)  # fmt: skip


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    runs = [weighed(number) for number in range(2)]
    fits = fit_all(runs, {"backup": load_models(None)["backup"]}, None)
    room = RoomSetup("shop", coats=(CoatType("backup", "backup"),))
    return write_report(fits, runs, room, tmp_path_factory.mktemp("report"))


def test_few_runs_give_no_quantiles_and_no_picture_of_kept_promises(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert "2 runs only, too few to say how far off the next one will be." in text
    assert "Backup no. 3 in your usual air (22 °C, 50 %RH, 0.6 m/s): about " in text
    assert "half" not in text.split("<h2", 2)[1].split("What to weigh next")[0]
    assert "true" not in text
    assert "from 2 of 2 weighed runs" in text
    assert not (page.parent / "backup-coverage.svg").exists()
    assert (page.parent / "backup-truth.svg").exists()


@pytest.mark.parametrize("width", [390, 1200])
def test_the_report_can_be_read_on_a_phone_and_a_wide_screen(page: Path, open_browser: Open, width: int) -> None:
    driver = open_browser(width, 800)
    driver.get(page.as_uri())
    wide = driver.execute_script("return document.documentElement.scrollWidth")
    assert wide <= width, "the page itself does not scroll sideways"
    pictures = driver.execute_script(
        "return [...document.querySelectorAll('figure')].map(f => [f.querySelector('img').clientWidth, f.clientWidth,"
        " getComputedStyle(f).overflowX, f.tabIndex])"
    )
    assert len(pictures) == 3
    for drawn, shown, overflow, tab in pictures:
        assert drawn >= 640, "its words would be too small"
        if drawn > shown:
            assert (overflow, tab) == ("auto", 0), "it scrolls in its own frame, by the keyboard too"
    rows = driver.execute_script(
        "return [...document.querySelectorAll('tr')].map(r => r.getBoundingClientRect().height)"
    )
    assert max(rows) < 110, "no giant rows"
    heads = driver.execute_script(
        "return [...document.querySelectorAll('table')].flatMap(t => [...t.rows[0].cells].map((head, i) =>"
        " [head.textContent, getComputedStyle(head).textAlign, getComputedStyle(t.rows[1].cells[i]).textAlign]))"
    )
    assert [head for head, above, below in heads if above != below] == []
