"""Who gets in, and what is turned away: over HTTP, against the real service."""

import base64
import hashlib
import http.client
import json
import re
import sqlite3
import stat
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest

from drymon.store import Store
from tests.page.conftest import PASSWORD, Shop, until

Answer = tuple[int, str, dict[str, str]]


class Visitor:
    """A client that sends exactly the headers it is told to, and keeps its cookie."""

    def __init__(self, shop: Shop) -> None:
        self.shop, self.cookie = shop, ""

    def ask(self, method: str, path: str, form: Any = None, **headers: str) -> Answer:
        connection = http.client.HTTPConnection("127.0.0.1", self.shop.port, timeout=20)
        body = urlencode(form) if form is not None else None
        sent = {name.replace("_", "-"): value for name, value in headers.items() if value}
        if body is not None:
            sent["Content-Type"] = "application/x-www-form-urlencoded"
        if self.cookie:
            sent["Cookie"] = self.cookie
        connection.request(method, path, body, sent)
        answer = connection.getresponse()
        text, got = answer.read().decode(), {name.lower(): value for name, value in answer.getheaders()}
        connection.close()
        if "set-cookie" in got:
            self.cookie = got["set-cookie"].split(";")[0]
        return answer.status, text, got

    @property
    def own(self) -> str:
        return f"http://127.0.0.1:{self.shop.port}"

    def sign_in(self, name: str = "ana", password: str = PASSWORD) -> Answer:
        return self.ask("POST", "/sign-in", {"name": name, "password": password, "back": "/"}, Origin=self.own)

    def csrf(self) -> str:
        page = self.ask("GET", "/tree/t-1")[1]
        found = re.search(r'name="csrf" value="([0-9a-f]{64})"', page)
        assert found, page
        return found[1]

    def felt(self, **changes: str) -> dict[str, str]:
        """A form as the page makes it: that t-1 felt wet."""
        page = self.ask("GET", "/tree/t-1")[1]
        seen = re.search(r'name="seen" value="([^"]+)"', page)
        assert seen, page
        return {"csrf": self.csrf(), "tree": "t-1", "seen": seen[1], "finding": "wet", "back": "/tree/t-1", **changes}


@pytest.fixture(scope="module")
def visited(still_shop: Shop) -> Shop:
    """One shop for all these tests: what is refused changes nothing."""
    return still_shop


def heard(shop: Shop) -> int:
    return len(shop.heard.get("drymon/shop/log/felt", []))


def test_a_form_of_our_own_page_is_logged_and_is_in_the_audit_trail(visited: Shop) -> None:
    ana = Visitor(visited)
    assert ana.sign_in()[0] == 303
    before = heard(visited)
    status, _, headers = ana.ask("POST", "/log/felt", ana.felt(), Sec_Fetch_Site="same-origin")
    assert (status, headers["location"]) == (303, "/tree/t-1")
    assert until(lambda: heard(visited) == before + 1)
    with sqlite3.connect(f"file:{visited.home / 'drymon.db'}?mode=ro", uri=True) as db:
        trail = db.execute("SELECT who, what FROM audit ORDER BY id").fetchall()
    assert ("ana", "signed in") in trail
    assert ("ana", "logged felt") in trail
    assert any(what == "user add" for _, what in trail)


@pytest.mark.parametrize(
    ("headers", "changes", "code"),
    [
        ({"Sec_Fetch_Site": "cross-site"}, {}, 403),
        ({"Sec_Fetch_Site": "same-site"}, {}, 403),
        ({"Origin": "http://evil.example"}, {}, 403),
        ({"Origin": "null"}, {}, 403),
        ({}, {}, 403),
        ({"Sec_Fetch_Site": "same-origin"}, {"csrf": ""}, 403),
        ({"Sec_Fetch_Site": "same-origin"}, {"csrf": "0" * 64}, 403),
        ({"Sec_Fetch_Site": "same-origin", "Host": "drymon.evil.example"}, {}, 421),
    ],
)
def test_a_forged_change_is_refused_and_changes_nothing(
    visited: Shop, headers: dict[str, str], changes: dict[str, str], code: int
) -> None:
    ana = Visitor(visited)
    ana.sign_in()
    before = heard(visited)
    status, text, _ = ana.ask("POST", "/log/felt", ana.felt(**changes), **headers)
    assert status == code, text
    assert heard(visited) == before


def test_without_a_session_nothing_changes(visited: Shop) -> None:
    ana, stranger = Visitor(visited), Visitor(visited)
    ana.sign_in()
    status, text, _ = stranger.ask("POST", "/log/felt", ana.felt(), Sec_Fetch_Site="same-origin")
    assert status == 401
    assert "sign in first" in text


@pytest.mark.parametrize("path", ["/", "/part/room", "/tree/t-1", "/picture/model/backup.svg", "/static/drymon.css"])
@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "127.0.0.1.evil.example", "10.0.0.7"])
def test_a_name_made_to_point_here_reads_nothing(visited: Shop, path: str, host: str) -> None:
    """DNS rebinding: the browser of a visitor of evil.example sends its name, and so is told nothing."""
    status, text, _ = Visitor(visited).ask("GET", path, Host=host)
    assert status == 421
    assert "t-9" not in text


@pytest.mark.parametrize("host", ["localhost:8480", "127.0.0.1", "[::1]:8480"])
def test_this_machines_own_names_are_let_in(visited: Shop, host: str) -> None:
    status, text, _ = Visitor(visited).ask("GET", "/", Host=host)
    assert status == 200
    assert "t-9" in text, "`/` names every tree, and is open on loopback"


def test_every_answer_carries_the_guards(visited: Shop) -> None:
    for path in ("/", "/static/drymon.js", "/sign-in", "/nothing-here"):
        _, _, headers = Visitor(visited).ask("GET", path)
        policy = headers["content-security-policy"]
        assert "frame-ancestors 'none'" in policy
        assert "unsafe-inline" not in policy
        assert "default-src 'none'" in policy, "stricter than 'self': each kind is allowed by itself"
        assert headers["x-content-type-options"] == "nosniff"
    _, text, headers = Visitor(visited).ask("GET", "/")
    assert headers["cache-control"] == "no-store"
    assert not re.search(r"\son[a-z]+=|style=|<script(?! src=\"/static/)|https?://(?!www\.w3\.org)", text)


def test_the_cookie_is_for_this_page_alone_and_its_id_is_nowhere_on_disk(visited: Shop) -> None:
    ana = Visitor(visited)
    _, _, headers = ana.sign_in()
    cookie = headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    session_id = ana.cookie.split("=")[1]
    assert len(session_id) >= 43, "256 random bits"
    stored = b"".join(file.read_bytes() for file in visited.home.glob("drymon.db*"))
    assert b"ana" in stored
    assert session_id.encode() not in stored
    assert PASSWORD.encode() not in stored


def test_signing_out_ends_the_session_for_good(visited: Shop) -> None:
    ana = Visitor(visited)
    ana.sign_in()
    kept = ana.cookie
    ana.ask("POST", "/sign-out", {"csrf": ana.csrf()}, Sec_Fetch_Site="same-origin")
    ana.cookie = kept
    assert "Sign in to log" in ana.ask("GET", "/")[1]


def test_hostile_names_stay_text(visited: Shop) -> None:
    attack = "<script>alert(1)</script>"
    visited.say("log/felt", {"tree": "t-1", "finding": "dry", "by": attack})
    visited.say(f"rack-a/humidity/{'x' * 30}", attack)
    page = Visitor(visited)
    assert until(lambda: "&lt;script&gt;alert" in page.ask("GET", "/log")[1])
    for path in ("/log", "/tree/t-1", "/evidence"):
        assert attack not in page.ask("GET", path)[1]
    assert page.ask("GET", "/tree/%3Cscript%3E")[0] == 404


def test_a_way_back_leads_only_to_our_own_pages(visited: Shop) -> None:
    for back in (
        "https://evil.example/",
        "//evil.example",
        "/\\evil.example",
        "/\t/evil.example",  # the WHATWG URL standard has browsers drop tabs and newlines
        "/\n/evil.example",
        "/\x0b/evil.example",
        "javascript:alert(1)",
    ):
        visitor = Visitor(visited)
        form = {"name": "ana", "password": PASSWORD, "back": back}
        status, _, headers = visitor.ask("POST", "/sign-in", form, Origin=visitor.own)
        assert (status, headers["location"]) == (303, "/"), back


def test_a_page_elsewhere_cannot_pull_ours_into_itself(visited: Shop) -> None:
    """Fetch Metadata (W3C): a picture of ours inside a page of evil.example would have us draw; a link is fine."""
    visitor = Visitor(visited)
    for site in ("cross-site", "same-site"):
        pulled = {"Sec_Fetch_Site": site, "Sec_Fetch_Mode": "no-cors", "Sec_Fetch_Dest": "image"}
        assert visitor.ask("GET", "/picture/model/backup.svg", **pulled)[0] == 403
        assert visitor.ask("GET", "/", Sec_Fetch_Site=site, Sec_Fetch_Mode="navigate")[0] == 200
    assert visitor.ask("GET", "/", Sec_Fetch_Site="none", Sec_Fetch_Mode="navigate")[0] == 200


def test_what_is_too_large_is_turned_away_unread(visited: Shop) -> None:
    """Told by its head alone, before the body: else anybody in the network could fill the disk."""
    connection = http.client.HTTPConnection("127.0.0.1", visited.port, timeout=20)
    connection.putrequest("POST", "/sign-in")
    connection.putheader("Content-Length", str(50_000_000))
    connection.endheaders(b"name=ana")
    assert connection.getresponse().status == 413
    connection.close()
    assert Visitor(visited).ask("GET", "/", X_Long="x" * 20_000)[0] == 431
    assert Visitor(visited).ask("POST", "/sign-in", {"name": "x" * 30_000}, Origin=Visitor(visited).own)[0] == 413


def test_what_makes_no_event_is_refused_in_words(visited: Shop) -> None:
    ana = Visitor(visited)
    ana.sign_in()
    for event, changes, words in (
        ("weigh", {"mass": "heavy"}, "allowed is a number"),
        ("felt", {"finding": "soggy"}, "soggy"),
        ("dip", {"coat": "backup", "rack": "rack-z", "number": "2"}, "rack-z"),
        ("dip", {"coat": "backup", "rack": "rack-a", "number": "-1"}, "whole number"),
        ("burn", {}, "burn"),
    ):
        ana.ask("POST", f"/log/{event}", ana.felt(**changes), Sec_Fetch_Site="same-origin")
        banner = re.search(r'id="flash">(.*?)</div>', ana.ask("GET", "/tree/t-1")[1], re.DOTALL)
        assert banner, event
        assert words in banner[1], event


def test_guessing_is_slowed_down(shop: Shop) -> None:
    thief = Visitor(shop)
    answers = [thief.sign_in(password=f"guess number {number}")[0] for number in range(6)]
    assert answers == [403] * 5 + [429]
    status, _, headers = thief.sign_in()
    assert status == 429, "now even the right one must wait"
    assert 0 < int(headers["retry-after"]) <= 301


def test_a_new_password_ends_open_sessions_and_a_removed_user_stays_out(shop: Shop) -> None:
    ana = Visitor(shop)
    ana.sign_in()
    assert "Sign out" in ana.ask("GET", "/")[1]
    done = shop.drymon("user", "password", "Ana", stdin="another password\n")  # however it is spelt
    assert done.returncode == 0, done.stderr
    assert "Sign out" not in ana.ask("GET", "/")[1]
    assert ana.sign_in(password="another password")[0] == 303
    assert shop.drymon("user", "remove", "ANA").returncode == 0
    assert "Sign out" not in ana.ask("GET", "/")[1]
    assert ana.sign_in(password="another password")[0] == 403
    assert shop.drymon("user", "list").stdout.strip() == "nobody may sign in yet: drymon user add NAME"


def test_a_hash_of_earlier_versions_is_renewed_at_the_next_sign_in(tmp_path: Path, broker_program: str) -> None:
    shop = Shop(tmp_path)
    salt, password = b"sixteen bytes it", "warm tea at six"
    digest = hashlib.scrypt(password.encode(), salt=salt, n=2**13, r=8, p=10, maxmem=2**25, dklen=32)
    old = f"scrypt:8192:8:10:{base64.b64encode(salt).decode()}:{base64.b64encode(digest).decode()}"
    created = datetime(2031, 3, 3, tzinfo=UTC)
    with Store.open(shop.home / "drymon.db") as store:
        store.save_user("bo", old, created)
    try:
        shop.serve()
        bo = Visitor(shop)
        assert bo.sign_in("bo", "cold tea at six")[0] == 403
        assert _stored(shop, "bo") == (old, created)
        answer = bo.sign_in("bo", password)
        assert answer[0] == 303, answer[1]
        assert "Sign out" in bo.ask("GET", "/")[1]
        renewed, since = _stored(shop, "bo")
        assert (renewed.startswith("scrypt:8192:8:10$"), since) == (True, created)
        assert bo.sign_in("bo", password)[0] == 303
        assert _stored(shop, "bo") == (renewed, created)
    finally:
        shop.close()


def _stored(shop: Shop, name: str) -> tuple[str, datetime]:
    with Store.open(shop.home / "drymon.db", readonly=True) as store:
        user = store.user(name)
    assert user is not None
    return user.hash, user.created


def test_the_door_for_commands_is_for_the_homes_owner_only(shop: Shop) -> None:
    door = shop.home / "page.door"
    assert stat.S_IMODE(door.stat().st_mode) == 0o600
    wanted = json.dumps({"act": "add", "name": "eve", "hash": "x", "by": "eve"})
    connection = http.client.HTTPConnection("127.0.0.1", shop.port)
    connection.request("POST", "/control/user", wanted, {"Content-Type": "application/json", "X-Drymon-Token": "guess"})
    assert connection.getresponse().status == 403
    connection.close()
    assert "eve" not in shop.drymon("user", "list").stdout
    shop.stop()
    assert not door.exists()


def test_on_loopback_without_users_the_page_is_for_reading(tmp_path: Path, broker_program: str) -> None:
    shop = Shop(tmp_path)
    try:
        shop.serve()
        shop.say("log/dip", {"tree": "t-1", "rack": "rack-a", "coat": "backup"})
        assert until(lambda: shop.verdict("t-1"))
        _, text, _ = Visitor(shop).ask("GET", "/tree/t-1")
        assert "drymon user add" in text
        assert "<form" not in text
        visitor = Visitor(shop)
        assert visitor.sign_in(name="", password="")[0] == 403
        assert visitor.sign_in(name="ana")[0] == 403
    finally:
        shop.close()


def test_a_lan_address_needs_a_password_file_and_then_a_sign_in_even_to_read(
    tmp_path: Path, broker_program: str
) -> None:
    bare = Shop(tmp_path / "bare", host="0.0.0.0")
    refused = bare.drymon("serve")
    bare.close()
    assert refused.returncode == 2
    assert "password_file" in refused.stderr
    shop = Shop(tmp_path / "lan", host="0.0.0.0", password="the shop's own password")
    try:
        shop.serve()
        shop.say("log/dip", {"tree": "t-1", "rack": "rack-a", "coat": "backup"})
        assert until(lambda: shop.verdict("t-1"))
        visitor = Visitor(shop)
        for path in ("/", "/part/room", "/tree/t-1", "/picture/tree/t-1.svg", "/report/t-1.pdf"):
            status, text, headers = visitor.ask("GET", path)
            assert status == 303, path
            assert headers["location"].startswith("/sign-in?back=")
            assert "t-1" not in text.replace("%2Ftree%2Ft-1", "").replace("/tree/t-1", "").replace(
                "t-1.svg", ""
            ).replace("t-1.pdf", "")
        assert 'class="count"' not in visitor.ask("GET", "/sign-in")[1], "not even how many alarms stand"
        assert visitor.ask("GET", "/", Host="evil.example")[0] == 421
        assert visitor.ask("GET", "/", Host="192.168.7.20:8480")[0] == 303, "an address cannot be rebound"
        assert visitor.sign_in("Rob", "wrong password")[0] == 403
        shop.add_user("ana")
        for name in ("ana", "Ana", "ANA", "\uff41na"):
            assert visitor.sign_in(name, "the shop's own password")[0] == 403, f"{name}: who has a password needs it"
            assert Visitor(shop).sign_in(name, PASSWORD)[0] == 303
        twin = shop.drymon("user", "add", "ANA", stdin=f"{PASSWORD}\n")
        assert twin.returncode != 0
        assert "'ana' is a user already" in twin.stderr
        assert visitor.sign_in("Rob", "the shop's own password")[0] == 303
        assert "t-1" in visitor.ask("GET", "/")[1]
    finally:
        shop.close()


def test_a_password_file_that_is_emptied_lets_nobody_in_and_shows_no_folder(
    tmp_path: Path, broker_program: str
) -> None:
    shop = Shop(tmp_path, host="0.0.0.0", password="the shop's own password")
    try:
        shop.add_user("ana")
        shop.serve()
        (shop.home / "page.password").write_text("")
        visitor = Visitor(shop)
        for status, text, _ in (
            visitor.ask("GET", "/sign-in"),
            visitor.sign_in("Rob", ""),
            visitor.sign_in("Rob", "x"),
        ):
            assert status in (200, 403)
            assert str(tmp_path) not in text
        assert visitor.sign_in("ana")[0] == 303
        assert "page.password: is empty" in shop.log.read_text()
    finally:
        shop.close()


def test_no_refusal_shows_where_the_home_is(tmp_path: Path, broker_program: str) -> None:
    shop = Shop(tmp_path)
    try:
        shop.serve()
        (shop.home / "drymon.db").rename(shop.home / "gone.db")
        status, text, _ = Visitor(shop).ask("GET", "/")
        assert status == 503
        assert "drymon.db" in text
        assert str(tmp_path) not in text
    finally:
        shop.close()


def test_a_name_from_room_toml_is_let_in_and_signs_in_even_to_read(tmp_path: Path, broker_program: str) -> None:
    """A proxy on this machine passes the browser's Host on: who comes that way need not be on this machine."""
    shop = Shop(tmp_path)
    toml = (shop.home / "room.toml").read_text()
    (shop.home / "room.toml").write_text(toml.replace("[page]", '[page]\nnames = ["Drymon.Example"]'))
    try:
        shop.add_user("ana")
        shop.serve()
        shop.say("log/dip", {"tree": "t-1", "rack": "rack-a", "coat": "backup"})
        assert until(lambda: shop.verdict("t-1"))
        visitor = Visitor(shop)
        assert "t-1" in visitor.ask("GET", "/")[1], "on this machine itself reading stays open"
        status, text, headers = visitor.ask("GET", "/", Host="drymon.example")
        assert (status, headers["location"]) == (303, "/sign-in?back=/")
        assert "t-1" not in text
        assert visitor.ask("GET", "/", Host="other.example")[0] == 421
        assert visitor.ask("GET", "/", Host="x.drymon.example")[0] == 421
        form = {"name": "ana", "password": PASSWORD, "back": "/"}
        far = {"Host": "drymon.example", "Origin": "https://drymon.example"}
        assert visitor.ask("POST", "/sign-in", form, **{**far, "Origin": "https://other.example"})[0] == 403
        status, _, headers = visitor.ask("POST", "/sign-in", form, **far)
        assert status == 303
        assert "Secure" in headers["set-cookie"], "signed in over TLS: the cookie never goes without"
        assert "t-1" in visitor.ask("GET", "/", Host="drymon.example")[1]
    finally:
        shop.close()
