"""The table on wide, narrow, plain and coloured terminals."""

import re
from dataclasses import replace

import pytest

from drymon.readback.now import Now, RefusedLine, tree_now
from drymon.shop.facts.outcome import AirNow, Bounds, DayPlan, PlannedDip, RackStatus, SensorStatus, State, When
from drymon.shop.facts.sensor_state import SensorState
from drymon.views.table import Paper, bar, table
from tests.views.invented import ROOM, hours, verdict


def now(online: bool = True) -> Now:
    trees = [
        verdict("t-10", 0, 3.9, codes=("wet", "starting-model")),
        verdict("t-9", -9, 3.9, number=8),
        verdict("t-11", 0, 3.9, state=State.HOLD, codes=("too-fast",), rack="rack-b"),
    ]
    trees = [tree_now(tree, hours(4), online) for tree in trees]
    status = RackStatus(hours(3.9), hours(4.2), "rack-a", False, trees[0].dry_at, "t-10",
                        {t.tree: t.state for t in trees[:2]}, AirNow(22.4, 45.0, 1.2))  # fmt: skip
    sensors = [
        SensorStatus("rack-a", "temperature", "", hours(4), 22.4, "Cel", SensorState.OK),
        SensorStatus("rack-b", "humidity", "", hours(3), 44.0, "%RH", SensorState.STUCK),
    ]
    return Now(hours(4), online, trees, [status], sensors, 3, [RefusedLine(hours(3), "a/b", "no such place")])


def test_wide_it_says_everything_in_the_rooms_time() -> None:
    text = table(now(), ROOM, Paper(120))
    assert "Mon 2031-03-03 10:00 (Europe/Berlin)" in text  # 09:00 UTC in winter
    assert "22.4 °C · 45 % RH · 1.2 m/s" in text
    assert "waiting for t-10" in text
    assert re.search(r"t-9 +backup 8 +✔ ready", text)
    assert re.search(r"t-11 +backup 1 +▲ hold", text)
    assert "because too-fast" in text
    assert "wider bounds: starting model" in text
    assert "rack-b humidity: stuck, last 44 %RH, 1 h ago" in text
    assert "refused messages: 3" in text
    assert text.index("t-9 ") < text.index("t-10 ")


def planned(tree: str, at: float) -> PlannedDip:
    return PlannedDip(tree, "backup", 9, "rack-a", hours(at), When(None, hours(at), None))


def test_what_to_dip_now_and_next_stands_on_top() -> None:
    soon = (planned("t-10", 6), planned("t-12", 7), planned("t-13", 8), planned("t-14", 9))
    plan = DayPlan(hours(4), hours(4.5), (planned("t-9", 4),), soon, (), {})
    text = table(replace(now(), plan=plan), ROOM, Paper(200))
    assert "Dip now: t-9 (backup 9). Next: 12:00 t-10 (backup 9), 13:00 t-12 (backup 9), 14:00 t-13" in text
    assert "t-14" not in text
    assert text.index("Dip now") < text.index("rack-a")
    assert "Dip now" not in table(now(), ROOM, Paper(200))


@pytest.mark.parametrize("width", [40, 60, 80])
def test_narrow_no_line_is_wider_than_the_terminal(width: int) -> None:
    lines = table(now(), ROOM, Paper(width)).splitlines()
    assert max(map(len, lines)) <= width
    assert any("▲ hold" in line for line in lines)


def test_colour_comes_only_where_it_is_wanted_and_words_stay() -> None:
    assert "\x1b[" not in table(now(), ROOM, Paper(120))
    coloured = table(now(), ROOM, Paper(120, colour=True))
    assert "\x1b[32;1m✔ ready" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == table(now(), ROOM, Paper(120))


def test_an_ascii_terminal_gets_ascii() -> None:
    text = table(now(), ROOM, Paper(120, unicode=False))
    assert text.isascii()
    assert "+ ready" in text


def test_with_the_service_down_nothing_is_ready() -> None:
    text = table(now(online=False), ROOM, Paper(120))
    assert "SERVICE NOT RUNNING" in text
    assert "✔" not in text
    assert text.count("? unknown") == 3


def test_the_bar_shows_sure_perhaps_and_needed() -> None:
    assert bar(Bounds(0.5, 0.6, 0.7), 0.95) == "██████████▒▒▒▒·····│·"
    assert bar(Bounds(0.0, 0.0, 0.0), None) == "·" * 20


def test_bar_and_text_round_a_share_the_same_way() -> None:
    """Down, as the verdict's own text does: 70.9 % gone is 70 %."""
    told = replace(verdict("t-1", 0, 3.9), dryness=Bounds(0.659, 0.709, 0.749))
    text = table(Now(hours(4), True, [told], []), ROOM, Paper(120))
    assert "70 % (65–74)" in text
