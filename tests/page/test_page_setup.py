"""The set-up on the page: room.toml, people, labels, fits, a new start; the real service over HTTP and in a real
Chromium.
"""

import contextlib
import json
import re
import socket
import sqlite3
import threading
import time
import tomllib
import urllib.request
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from drymon.service.clock import SystemClock
from drymon.store import Store
from drymon.store.lock import FitLock
from drymon.views.page.passwords import hash_password
from drymon.views.page.setup_fields import PARTS
from drymon.web.fit_job import FitJob, Noted, last_noted, note
from tests.page.conftest import PASSWORD, Shop, sign_in, until
from tests.page.test_page_access import Visitor

Open = Callable[..., Any]


def ago(hours: float) -> str:
    return f"{datetime.now(UTC) - timedelta(hours=hours):%Y-%m-%dT%H:%M:%SZ}"


@pytest.fixture(scope="module")
def manager(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[str]]:
    """What a service manager with a patience of a minute hears, sd_notify(3): it listens, or whoever speaks waits."""
    address, heard, over = str(tmp_path_factory.mktemp("manager") / "notify"), list[str](), threading.Event()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening, pytest.MonkeyPatch.context() as patch:
        listening.bind(address)
        listening.settimeout(0.5)

        def listen() -> None:
            while not over.is_set():
                with contextlib.suppress(TimeoutError):
                    heard.extend(listening.recv(4096).decode().splitlines())

        thread = threading.Thread(target=listen)
        thread.start()
        patch.setenv("NOTIFY_SOCKET", address)
        patch.setenv("WATCHDOG_USEC", "60000000")
        yield heard
        over.set()
        thread.join()


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory, broker_program: str, manager: list[str]) -> Iterator[Shop]:
    """A shop with the owner ana, with bo who logs, and with t-1 on rack-a, dipped nine hours ago and felt since."""
    running = Shop(tmp_path_factory.mktemp("house"))
    try:
        with Store.open(running.home / "drymon.db") as store:
            for name in ("ana", "bo"):
                store.save_user(name, hash_password(PASSWORD), datetime.now(UTC))
        assert running.drymon("user", "owner", "ana").stdout == "ana may set up the room from the page\n"
        running.serve()
        for step in reversed(range(56)):
            for quantity, value in (("temperature", 22.0), ("humidity", 45.0), ("airflow", 1.5)):
                running.say(f"room/{quantity}", {"value": value, "time": ago(step / 6)})
        dip = {"tree": "t-1", "rack": "rack-a", "coat": "prime-first", "recipe": "standard", "time": ago(9)}
        running.say("log/dip", dip)
        for hours, finding in ((8, "wet"), (5, "wet"), (1, "dry")):
            running.say("log/felt", {"tree": "t-1", "finding": finding, "where": "pocket", "time": ago(hours)})
        assert until(lambda: running.verdict("t-1")), running.log.read_text()
        yield running
    finally:
        running.close()


@pytest.fixture(scope="module")
def ana(house: Shop) -> Visitor:
    visitor = Visitor(house)
    visitor.sign_in()
    return visitor


def room_of(house: Shop) -> dict[str, Any]:
    return tomllib.loads((house.home / "room.toml").read_text())


def form_of(who: Visitor, path: str) -> dict[str, Any]:
    """The form as a browser would send it back, untouched: the values of its fields, lists where a name comes twice."""
    page = who.ask("GET", path)[1]
    form: dict[str, Any] = {}
    for name, value in re.findall(r'<input (?:type="hidden" )?name="([^"]+)"[^>]* value="([^"]*)"', page):
        form.setdefault(name, []).append(value)
    for name, value in re.findall(r'<input type="checkbox" name="([^"]+)" value="([^"]*)" checked', page):
        form.setdefault(name, []).append(value)
    for name, inside in re.findall(r'<select name="([^"]+)"[^>]*>(.*?)</select>', page, re.DOTALL):
        chosen = re.search(r'<option(?: value="([^"]*)")? selected>([^<]*)', inside)
        form.setdefault(name, []).append((chosen[1] or chosen[2]) if chosen else "")
    return form


def send(who: Visitor, path: str, form: dict[str, Any], **changes: Any) -> tuple[int, str]:
    pairs = {**form, **changes}
    flat = [(key, one) for key, value in pairs.items() for one in (value if isinstance(value, list) else [value])]
    status, text, _ = who.ask("POST", path, flat, Origin=who.own)
    return status, text


def told(who: Visitor, path: str = "/setup") -> str:
    found = re.search(r'id="flash"><b>([^<]*)', who.ask("GET", path)[1])
    return found[1] if found else ""


def test_each_key_of_the_tables_that_are_set_up_here_has_a_field() -> None:
    for part in PARTS:
        fields = {one.key for one in part.fields}
        keys = {field.alias or name for name, field in part.model.model_fields.items()} - set(part.inner)
        for name, model in part.inner.items():
            keys |= {f"{name}.{key}" for key in model.model_fields}
        assert keys - fields == ({"name"} if part.table == "room" else set()), part.table
        assert fields <= keys


def test_a_form_sent_back_as_it_was_changes_nothing(house: Shop, ana: Visitor) -> None:
    before = (house.home / "room.toml").read_bytes()
    for path in ("/setup/coat/2", "/setup/recipe/1", "/setup/rack/1", "/setup/room/only", "/setup/cell/1"):
        assert send(ana, path, form_of(ana, path), act="save")[0] == 303, path
        assert told(ana).endswith("nothing was different; nothing was changed"), path
    assert (house.home / "room.toml").read_bytes() == before
    assert not list(house.home.glob("room.toml.*"))


def test_what_is_wrong_stands_beside_its_field_and_the_file_stays(house: Shop, ana: Visitor) -> None:
    form, before = form_of(ana, "/setup/coat/2"), (house.home / "room.toml").read_bytes()
    wrong = {"dry_at": "95", "room.humidity_pct": ["60", "40"], "longest_wait_h": "three days"}
    status, page = send(ana, "/setup/coat/2", form, act="save", **wrong)
    assert status == 422
    beside = dict(re.findall(r'id="wrong-([^"]+)"><b>([^<]+)', page))
    assert beside == {
        "dry_at": "received 95; allowed is a share from 0.5 to below 1: 0.95 stands for 95 %",
        "room-humidity_pct": "received [60, 40]; allowed is two numbers, the lower first",
        "longest_wait_h": "received &#34;three days&#34;; allowed is a number",
    }
    assert 'value="three days"' in page, "what was typed is there to be mended"
    status, page = send(ana, "/setup/coat/2", form, act="save", shortest_wait_h="80")
    assert "received shortest_wait_h 80 and longest_wait_h 72" in page
    assert (house.home / "room.toml").read_bytes() == before


def test_a_change_is_written_with_the_file_before_it_beside_it_and_in_the_trail(house: Shop, ana: Visitor) -> None:
    file = house.home / "room.toml"
    file.write_text(file.read_text().replace("longest_wait_h = 72", "longest_wait_h = 72  # our own number"))
    before, form = file.read_text(), form_of(ana, "/setup/coat/2")
    assert send(ana, "/setup/coat/2", form, **{"act": "save", "dry_at": "0,96", "room.swing_c": "3"})[0] == 303
    assert told(ana) == "coat backup changed in room.toml; it takes force when the service starts anew"
    coat = room_of(house)["coat"][1]
    assert (coat["dry_at"], coat["room"], coat["longest_wait_h"]) == (0.96, {"swing_c": 3}, 72)
    assert "# our own number" in file.read_text()
    assert [old.read_text() for old in house.home.glob("room.toml.*")] == [before]
    with sqlite3.connect(f"file:{house.home / 'drymon.db'}?mode=ro", uri=True) as db:
        assert ("ana", "room.toml changed", "coat backup") in db.execute(
            "SELECT who, what, detail FROM audit"
        ).fetchall()
    assert "Not in force yet" in ana.ask("GET", "/setup")[1]
    status, page = send(ana, "/setup/coat/2", form, act="save", dry_at="0.97")
    assert (status, "was changed by somebody else meanwhile" in page) == (422, True)
    assert room_of(house)["coat"][1]["dry_at"] == 0.96


def test_a_recipe_is_put_together_coat_by_coat(house: Shop, ana: Visitor) -> None:
    form = {**form_of(ana, "/setup/recipe/new"), "name": "Wall plaques"}
    form["coats"] = ["prime-first", "seal"]
    status, page = send(ana, "/setup/recipe/new", form, act="before:coats:1")
    assert status == 200
    assert len(re.findall(r'<select name="coats"', page)) == 5, "three rows and two to come"
    form["coats"] = ["prime-first", "backup", "seal", "seal", ""]
    status, page = send(ana, "/setup/recipe/new", form, act="out:coats:3")
    assert re.findall(r"<option selected>([^<]+)", page) == ["prime-first", "backup", "seal"]
    form["coats"] = ["prime-first", "backup", "seal", "", ""]
    assert send(ana, "/setup/recipe/new", form, act="save")[0] == 303
    made = {"name": "wall-plaques", "label": "Wall plaques", "coats": ["prime-first", "backup", "seal"]}
    assert room_of(house)["recipe"][1] == made


def test_a_rack_with_a_tree_on_it_stays_and_an_empty_one_that_a_cell_hangs_on_too(house: Shop, ana: Visitor) -> None:
    status, page = send(ana, "/setup/rack/1", form_of(ana, "/setup/rack/1"), act="remove")
    assert (status, "t-1 hang in the room with it" in page) == (422, True)
    form = form_of(ana, "/setup/cell/1")
    assert send(ana, "/setup/cell/1", form, act="save", rack="rack-b")[0] == 303
    status, page = send(ana, "/setup/rack/2", form_of(ana, "/setup/rack/2"), act="remove")
    assert "cell[1].rack: received &#34;rack-b&#34;; allowed are the racks of this file" in page
    assert send(ana, "/setup/cell/1", form_of(ana, "/setup/cell/1"), act="remove")[0] == 303
    assert "cell" not in room_of(house)
    assert "rack-b" in [rack["name"] for rack in room_of(house)["rack"]]


def test_hours_and_a_tank_are_made_where_there_were_none(house: Shop, ana: Visitor) -> None:
    form = {**form_of(ana, "/setup/hours/only"), "days": ["Mon", "Tue"], "from": "07:00", "to": "6 pm"}
    status, page = send(ana, "/setup/hours/only", form, act="save")
    assert (status, "wrong-to" in page) == (422, True)
    assert send(ana, "/setup/hours/only", form, act="save", to="18:00", hands="2")[0] == 303
    assert room_of(house)["hours"] == {"days": ["Mon", "Tue"], "from": "07:00", "to": "18:00", "hands": 2}
    form = {**form_of(ana, "/setup/slurry/new"), "name": "drum", "seconds": ["30", "34"]}
    status, page = send(ana, "/setup/slurry/new", form, act="save", coats=["backup"])
    assert "received seconds without cup" in page
    assert send(ana, "/setup/slurry/new", form, act="save", coats=["backup"], cup="astm-d4212-z4")[0] == 303
    assert room_of(house)["slurry"] == [
        {"name": "drum", "coats": ["backup"], "cup": "astm-d4212-z4", "seconds": [30, 34]}
    ]


@pytest.mark.parametrize("path", ["/setup/coat/2", "/setup/start-anew", "/setup/people/owner", "/setup/fit/start"])
def test_whoever_only_logs_changes_nothing_and_a_stranger_is_asked_to_sign_in(house: Shop, path: str) -> None:
    bo, before = Visitor(house), (house.home / "room.toml").read_bytes()
    bo.sign_in("bo")
    form = {"csrf": bo.csrf(), "name": "bo", "act": "save", "dry_at": "0.6"}
    status, text = send(bo, path, form)
    assert (status, "an owner alone sets up the room" in text) == (403, True)
    assert send(Visitor(house), path, form)[0] == 401
    assert (house.home / "room.toml").read_bytes() == before
    page = bo.ask("GET", "/setup/coat/2")[1]
    assert '<fieldset class="all" disabled>' in page
    assert 'id="save"' not in page


def test_people_are_let_in_given_rights_and_turned_away(house: Shop, ana: Visitor) -> None:
    csrf = {"csrf": ana.csrf()}
    assert "received 5 characters" in send(ana, "/setup/people/add", csrf, name="cleo", password="short")[1]
    assert send(ana, "/setup/people/add", csrf, name="cleo", password="wax and sand")[0] == 303
    cleo = Visitor(house)
    assert cleo.sign_in("cleo", "wax and sand")[0] == 303
    assert "is the only owner" in send(ana, "/setup/people/logs", csrf, name="ana")[1]
    assert "is the only owner" in send(ana, "/setup/people/remove", csrf, name="ana")[1]
    assert send(ana, "/setup/people/owner", csrf, name="cleo")[0] == 303
    assert told(ana, "/setup/people") == "cleo may set up the room from the page"
    assert house.drymon("user", "list").stdout == "ana, owner\nbo\ncleo, owner\n"
    assert send(cleo, "/setup/people/logs", {"csrf": cleo.csrf()}, name="cleo")[0] == 303
    assert send(cleo, "/setup/people/logs", {"csrf": cleo.csrf()}, name="ana")[0] == 403
    assert send(ana, "/setup/people/password", csrf, name="cleo", password="sand and wax")[0] == 303
    assert cleo.ask("GET", "/setup/people")[0] == 303, "the session ended with the password"
    assert send(ana, "/setup/people/remove", csrf, name="cleo")[0] == 303
    assert cleo.sign_in("cleo", "sand and wax")[0] == 403
    assert send(ana, "/setup/people/paint", csrf, name="bo")[0] == 404


def test_labels_of_trees_and_racks_come_as_a_sheet(house: Shop, ana: Visitor, tmp_path: Path) -> None:
    zxing = pytest.importorskip("zxingcpp", reason="zxing-cpp is not installed: pip install drymon[test]")
    pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed: pip install drymon[test]")
    query = "tree=t-1&names=Otter+3%0D%0A%0D%0A&rack=rack-a&url=http%3A%2F%2Fshells.local%3A8480%2F"
    with urllib.request.urlopen(f"{house.url}/setup/labels.pdf?{query}", timeout=60) as answer:
        assert answer.headers["Content-Type"] == "application/pdf"
        (tmp_path / "x.pdf").write_bytes(answer.read())
    (sheet,) = [page.render(scale=150 / 72).to_pil() for page in pdfium.PdfDocument(tmp_path / "x.pdf")]
    base = "http://shells.local:8480"
    codes = [f"{base}/rack/rack-a", f"{base}/tree/otter-3?label=Otter%203", f"{base}/tree/t-1"]
    assert sorted(code.text for code in zxing.read_barcodes(sheet)) == codes
    for wrong, words in (
        ("names=T%2B7", "allowed are letters, digits, spaces"),
        ("rack=rack-z", "racks: rack-a, rack-b"),
        ("url=ftp://x&rack=rack-a", "allowed is one such as http://"),
        ("", "nothing is ticked"),
        ("names=--out", "begins with a letter or a digit"),
    ):
        status, page, _ = house.get(f"/setup/labels.pdf?{wrong}")
        assert (status, words in page) == (422, True), wrong


def fit_page(ana: Visitor) -> str:
    return ana.ask("GET", "/part/fit")[1]


def ended(ana: Visitor) -> str:
    """The fit's words once it has ended; asked for seldom, for it needs the processor itself."""
    for _ in range(300):
        if "A fit runs" not in (page := fit_page(ana)):
            return page
        time.sleep(0.2)
    return page


def test_a_fit_runs_once_at_a_time_and_says_what_it_learnt_and_what_is_not_in_force(house: Shop, ana: Visitor) -> None:
    form = {"csrf": ana.csrf(), "coat": ""}
    with FitLock(house.home):  # somebody at the terminal
        assert send(ana, "/setup/fit/start", form)[0] == 303
        page = ended(ana)
        assert "The last fit could not be done" in page
        assert "is being fitted already" in page
        assert "<b>Do:</b>" in page
    assert send(ana, "/setup/fit/start", form)[0] == 303
    assert "A fit runs" in fit_page(ana)
    assert send(ana, "/setup/fit/start", form)[0] == 303
    assert told(ana, "/setup/fit") == "a fit runs already: wait for its end; nothing was changed"
    page = ended(ana)
    assert "The last fit is done" in page
    assert "all coats, started" in page
    assert "by ana" in page
    assert "prime-first: no weighed run yet, only what was felt of trees" in page
    assert "step:" not in page
    assert "Not in force yet" in page
    assert (house.home / "models" / "prime-first.toml").exists()


def test_a_fit_that_ends_with_the_service_is_told_as_cut_off_at_the_next_start(tmp_path: Path) -> None:
    job = FitJob(tmp_path, SystemClock())
    assert job.state() is None
    job.start("backup", "ana")
    assert job.state().outcome == "runs"
    job.stop()
    for one in (job, FitJob(tmp_path, SystemClock())):
        state = one.state()
        assert (state.outcome, state.coat, state.by) == ("cut off", "backup", "ana")


def test_whoever_asks_while_an_end_is_noted_is_told_of_the_fit_all_the_same(tmp_path: Path) -> None:
    over = threading.Event()
    noted = Noted(SystemClock().wall(), "ana", "backup")
    note(tmp_path, noted)

    def note_on() -> None:
        while not over.is_set():
            note(tmp_path, noted)

    thread = threading.Thread(target=note_on)
    thread.start()
    try:
        assert [last_noted(tmp_path) for _ in range(2000)].count(noted) == 2000
    finally:
        over.set()
        thread.join()


def test_pages_of_the_set_up_fit_a_thumb_and_a_checker_finds_nothing(house: Shop, open_browser: Open) -> None:
    """As tests/page/test_page_looks.py asks of the other pages: 360 px, 44 px, and axe-core."""
    pytest.importorskip("selenium", reason="selenium is not installed: pip install drymon[test]")
    package = pytest.importorskip("axe_selenium_python", reason="axe-selenium-python is not installed")
    script = next(Path(str(files(package))).rglob("axe.min.js")).read_text(encoding="utf-8")
    phone = open_browser(360, 640)
    sign_in(phone, house, path="/setup")
    for path in ("", "/coat/2", "/recipe/1", "/hours/only", "/people", "/labels", "/fit"):
        phone.get(f"{house.url}/setup{path}")
        wide = phone.execute_script("return document.documentElement.scrollWidth")
        assert wide <= 360, path
        small = phone.execute_script(
            "return [...document.querySelectorAll('button:not([tabindex]), select, input:not([type=hidden]), summary,"
            " .more, .back, .entries a')].filter(e => e.offsetParent)"
            ".map(e => [e.outerHTML.slice(0, 90), (e.closest('.tick') || e).getBoundingClientRect()])"
            ".filter(([, r]) => r.width < 44 || r.height < 43.9).map(([what, r]) => `${what} ${r.width}x${r.height}`)"
        )
        assert small == [], path
        phone.execute_script(script)
        found = phone.execute_async_script(
            "const done = arguments[arguments.length - 1]; axe.run(document).then(r => done([r.passes.length, "
            "r.violations.map(v => [v.impact, v.id, v.nodes.map(n => n.html.slice(0, 120))])]))"
        )
        assert found[0] > 10, f"{path}: the checker ran"
        assert [one for one in found[1] if one[0] in ("serious", "critical")] == [], path


def test_the_service_starts_anew_by_what_was_changed(house: Shop, ana: Visitor, manager: list[str]) -> None:
    """Last of this module: it goes by another room.toml from here on."""
    form = {**form_of(ana, "/setup/rack/new"), "name": "rack-c", "label": "By the door"}
    assert send(ana, "/setup/rack/new", form, act="save")[0] == 303
    assert "By the door" not in ana.ask("GET", "/")[1]
    assert house.service is not None
    words, pid = house.heard["drymon/shop/out/service"], house.service.pid
    words.clear()
    manager.clear()
    status, page = send(ana, "/setup/start-anew", {"csrf": ana.csrf()})
    assert (status, "The service starts anew" in page) == (200, True)

    def states() -> list[str]:
        return [json.loads(word)["state"] for word in words]

    assert until(lambda: "offline" in states() and states()[-1] == "online", 30), house.log.read_text()
    assert house.service.poll() is None
    assert house.service.pid == pid
    assert "STOPPING=1" not in manager, "systemd would wait for an end, and kill"
    patience = [note for note in manager if note.startswith("WATCHDOG_USEC=") or note == "READY=1"]
    assert patience == ["WATCHDOG_USEC=900000000", "READY=1", "WATCHDOG_USEC=60000000"]
    page = ana.ask("GET", "/setup")[1]
    assert "Not in force yet" not in page
    assert "By the door" in ana.ask("GET", "/rack/rack-c")[1]
