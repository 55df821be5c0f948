"""What people do about alarms on the page: over HTTP, against the real service; what comes of it, on the broker."""

import json
import sqlite3
from typing import Any

import pytest

from tests.page.conftest import Shop, until
from tests.page.test_page_access import Visitor

EARLY = ("redipped-early", "t-1")


@pytest.fixture
def early(shop: Shop) -> Shop:
    """The shop after t-1 was dipped again while it dried: that raises an alarm."""
    shop.say("log/dip", {"tree": "t-1", "rack": "rack-a", "coat": "backup"})
    assert until(lambda: alerts(shop, *EARLY)), shop.log.read_text()
    return shop


def alerts(shop: Shop, kind: str, subject: str) -> list[dict[str, Any]]:
    said = [json.loads(each) for each in shop.heard.get("drymon/shop/out/alert", [])]
    return [alert for alert in said if (alert["kind"], alert["subject"]) == (kind, subject)]


def act(visitor: Visitor, what: str, **form: str) -> str:
    """Do it, and what the next page says."""
    form = {"csrf": visitor.csrf(), **form}
    status, text, headers = visitor.ask("POST", f"/alarms/{what}", form, Sec_Fetch_Site="same-origin")
    assert (status, headers.get("location")) == (303, "/alarms"), text
    return visitor.ask("GET", "/alarms")[1]


def trail(shop: Shop) -> list[tuple[str, str, str]]:
    with sqlite3.connect(f"file:{shop.home / 'drymon.db'}?mode=ro", uri=True) as db:
        return db.execute("SELECT who, what, detail FROM audit WHERE what LIKE 'alarm %' ORDER BY id").fetchall()


def test_an_alarm_is_acknowledged_taken_out_of_service_and_put_back(early: Shop) -> None:
    ana = Visitor(early)
    ana.sign_in()
    alarm_id = alerts(early, *EARLY)[0]["id"]
    about = {"id": alarm_id, "kind": EARLY[0], "subject": EARLY[1]}
    assert "Acknowledge" in ana.ask("GET", "/alarms")[1]
    page = act(ana, "out-of-service", **about, reason="tree is scrap, cut down tomorrow")
    assert "Taken out of service: t-1 redipped early" in page
    assert "by ana: tree is scrap, cut down tomorrow" in page
    assert "Back in service" in page
    assert f"seen-{alarm_id}" not in page, "what is silenced asks for no acknowledgement"
    assert "out of service" in early.drymon("alarms", "list").stdout
    raised = len(alerts(early, *EARLY))
    page = act(ana, "in-service", kind=EARLY[0], subject=EARLY[1])
    assert "Back in service: t-1 redipped early" in page
    assert f"seen-{alarm_id}" in page
    early.say(
        "log/fan", {"rack": "rack-a", "on": True}
    )  # a log event has the room judged at once, not at the full minute
    again = until(lambda: len(alerts(early, *EARLY)) > raised, 30)
    assert again, "what still holds is said afresh, as ISA-18.2 has it for a return to service"
    assert "Acknowledged: t-1 redipped early" in act(ana, "acknowledge", id=alerts(early, *EARLY)[-1]["id"])
    assert [(who, what) for who, what, _ in trail(early)] == [
        ("ana", "alarm out-of-service"),
        ("ana", "alarm in-service"),
        ("ana", "alarm acknowledge"),
    ]
    assert "tree is scrap" in trail(early)[0][2]


def test_a_shelf_ends_by_hand_too_and_is_listed_when_its_alarm_has_gone(early: Shop) -> None:
    ana = Visitor(early)
    ana.sign_in()
    alarm_id = alerts(early, *EARLY)[0]["id"]
    assert "Take off the shelf" in act(ana, "shelve", id=alarm_id, minutes="240", reason="known, marked with chalk")
    early.say("log/leave", {"tree": "t-1"})
    gone = until(lambda: f"silence-{alarm_id}" not in ana.ask("GET", "/alarms")[1] and early.verdict("t-1") is None, 20)
    assert gone
    page = ana.ask("GET", "/alarms")[1]
    assert "known, marked with chalk" in page, "a shelf that nobody sees would silence the next tree of that name"
    assert "Taken off the shelf: t-1 redipped early" in act(ana, "unshelve", kind=EARLY[0], subject=EARLY[1])
    assert "known, marked with chalk" not in ana.ask("GET", "/alarms")[1]


def test_what_makes_no_sense_is_refused_in_words(early: Shop) -> None:
    ana = Visitor(early)
    ana.sign_in()
    alarm_id = alerts(early, *EARLY)[0]["id"]
    about = {"id": alarm_id, "kind": EARLY[0], "subject": EARLY[1]}
    assert "a reason is needed" in act(ana, "out-of-service", **about, reason="  ")
    assert "no alarm with id" in act(ana, "out-of-service", kind="sensor-silent", subject="", reason="a slip")
    assert "is not out of service" in act(ana, "in-service", kind=EARLY[0], subject=EARLY[1])
    assert "allowed are 1 h, 4 h, 1 day, 3 days" in act(ana, "shelve", id=alarm_id, minutes="-5", reason="for ever")
    assert "no alarm with id" in act(ana, "acknowledge", id="nothing")
    assert trail(early) == []
    csrf = {"csrf": ana.csrf()}
    assert ana.ask("POST", "/alarms/delete", csrf, Sec_Fetch_Site="same-origin")[0] == 404
    assert Visitor(early).ask("POST", "/alarms/acknowledge", about, Sec_Fetch_Site="same-origin")[0] == 401
