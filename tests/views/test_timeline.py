"""The story that the demo tells: changes only, in the room's time, in plain words."""

import json
from dataclasses import replace

from drymon.messages.message import Message
from drymon.messages.outgoing import to_message
from drymon.shop.facts.outcome import AirNow, Alert, RackStatus, State
from drymon.shop.facts.setup import Tank
from drymon.views.timeline import Timeline
from tests.views.invented import hours, verdict


def told(*messages: Message) -> tuple[list[str], Timeline]:
    timeline = Timeline("shop", "Europe/Berlin")
    return [line for message in messages for line in timeline.lines(message)], timeline


def said(outcome) -> Message:
    return to_message(outcome, "shop")


def test_a_dip_is_told_with_its_outlook_and_repeats_are_not() -> None:
    first = verdict("t-7", 4, 4)
    lines, _ = told(said(first), said(replace(first, time=hours(4.1))))
    # 4 h after 05:00 UTC is 10:00 in Berlin in March; 1.5 h ln 20 = 4.49 h to 95 %, a fifth more for the slow bound.
    # What the verdict advises is told as it says it, here on the clock of UTC.
    assert lines == [
        "Monday 3 March 2031",
        "  10:00  t-7         ↓ dip 1, backup, on rack-a: "
        "likely dry at 13:29: touch-test it in the pocket then; surely by 14:23",
    ]


def test_the_likely_moment_is_told_once_when_it_comes() -> None:
    dip, waits, later = verdict("t-7", 0, 0), verdict("t-7", 0, 4.4), verdict("t-7", 0, 4.8)
    lines, _ = told(said(dip), said(waits), said(later), said(replace(later, time=hours(4.9))))
    assert [line[9:20].strip() for line in lines[1:]] == ["t-7", "t-7"]
    assert lines[2].startswith(
        "  10:48  t-7         → likely dry since 09:29: touch-test it in the pocket, and tell drymon"
    )


def test_a_change_of_state_is_told_with_its_reason_and_a_new_day_gets_a_heading() -> None:
    drying, ready = verdict("t-7", 0, 0), verdict("t-7", 0, 20, state=State.READY)
    hold = verdict("t-7", 0, 21, state=State.HOLD, codes=("too-long",))
    lines, timeline = told(said(drying), said(ready), said(hold))
    assert lines[2:4] == ["", "Tuesday 4 March 2031"]
    assert lines[4].endswith("✔ ready to redip: dip it when it suits you (backup next)")
    assert lines[5].endswith("▲ hold: because too-long")
    assert (timeline.counts["ready"], timeline.counts["hold"]) == (1, 1)


def test_a_rack_is_told_when_it_becomes_ready() -> None:
    status = RackStatus(hours(1), hours(1.2), "rack-a", True, None, None, {"t-7": State.READY}, AirNow())
    lines, _ = told(said(replace(status, ready=False)), said(status), said(status))
    assert [line[9:] for line in lines[1:]] == ["rack-a      ✔ rack ready: every tree that awaits a dip is ready"]


def test_an_alarm_is_told_once_with_its_cause_and_its_end() -> None:
    raised = Alert(
        hours(1), "a-1", "sensor-silent", "rack-b", "warning", "raised", "Nothing heard since 05:59. See to it."
    )
    over = replace(raised, time=hours(3), state="cleared", text="Over: Nothing heard. It lasted 2 h.")
    lines, timeline = told(said(raised), said(replace(raised, time=hours(2))), said(over))
    assert [line[21:] for line in lines[1:]] == [
        "! sensor silent: Nothing heard since 05:59.",
        "o sensor silent, over: It lasted 2 h.",
    ]
    assert timeline.counts["alarms"] == 1


def test_what_people_report_is_told_and_nonsense_is_passed_over() -> None:
    undo = Message(hours(1), "drymon/shop/log/undo", b'{"tree": "t-7", "by": "Ilse"}')
    broken = Message(hours(1), "drymon/shop/log/look", b"\xff{")
    lines, _ = told(undo, broken, Message(hours(1), "drymon/shop/rack-a/temperature", b"21"))
    assert lines[1] == "  07:00  t-7         · Ilse took back what was said last"
    assert len(lines) == 3


def test_a_slurry_out_of_its_band_is_told_with_the_band() -> None:
    tank = Tank("drum", coats=("backup",), cup="astm-d4212-z4", seconds=(28.0, 34.0))
    timeline = Timeline("shop", "Europe/Berlin", [tank])
    checks: list[dict[str, float]] = [
        {"seconds": 36.8},
        {"seconds": 30.6, "water_added": 1.5},
        {"seconds": 27},
        {"ph": 9.1},
    ]
    lines = [
        line
        for check in checks
        for line in timeline.lines(
            Message(hours(0), "drymon/shop/log/slurry", json.dumps({"slurry": "drum", "by": "Ilse", **check}).encode())
        )
    ]
    assert [line.partition("checked it: ")[2] for line in lines[1:]] == [
        "cup 36.8 s, too thick (28 to 34 s)",
        "cup 30.6 s after 1.5 L of water",
        "cup 27 s, too thin (28 to 34 s)",
        "no cup",
    ]
