"""All rooms on one page: what each tells, to whom, and where it leads."""

import re
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from drymon.cli.main import main
from drymon.drying.quantities import Quantity
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.settings import Page
from drymon.shop.alarms.alarm_book import AlarmBook, Entry, Key
from drymon.shop.facts.outcome import Bounds, State, Verdict, When
from drymon.shop.facts.reading import Reading
from drymon.store import only_writer
from drymon.views.page.access import Access, cookie_of
from drymon.views.page.all_rooms import create_rooms_app
from drymon.views.page.passwords import hash_password
from drymon.views.page.ports import Ports
from tests.cli.cli_home import BEGIN
from tests.postgres import Cluster
from tests.service.conftest import free_port, make_home

NOW = BEGIN + timedelta(hours=2)
MINUTE = timedelta(minutes=1)


def verdict(tree: str, state: State) -> Verdict:
    return Verdict(
        time=NOW - MINUTE, valid_until=NOW + MINUTE, tree=tree, state=state, rack="rack-a", coat="backup", number=4,
        dipped_at=BEGIN, dryness=Bounds(0.9, 0.96, 0.99), dry_at=When(NOW, NOW, NOW), redip_by=None, reasons=(),
    )  # fmt: skip


def fill(home: Path, stack: ExitStack, *, served: bool) -> None:
    """A tree that is ready and one that dries, a danger that stands and one that is over, a sensor that is silent."""
    store = stack.enter_context(only_writer(load_home(home, secrets=False).database))
    if served:
        store.mark_served(BEGIN)
    for place, ago in (("rack-a", 20), ("rack-b", 1)):
        at = NOW - ago * MINUTE
        reading = Reading(at, at, place, Quantity.TEMPERATURE, 21.5)
        store.record(Message(at, f"drymon/shop/{place}/temperature", b"21.5"), [reading])
    store.add_outcomes([verdict("t-7", State.READY), verdict("t-8", State.DRYING)])
    keys = [Key("tree-hold", "t-9", "4"), Key("redipped-early", "t-1", "2"), Key("sensor-silent", "rack-a/temperature")]
    told = zip(keys, ("a crack <b>", "an early dip", "no word"), ("danger", "danger", "warning"), strict=True)
    entries = {key: Entry(key, what, "", grave, phase="active", raised_at=BEGIN, id=what) for key, what, grave in told}
    entries[keys[1]] = Entry(keys[1], "an early dip", "", "danger", phase="returned", raised_at=BEGIN, id="over")
    store.save_alarm_book(AlarmBook(entries, {}, NOW))
    store.save_user("ilse", hash_password("a long enough word"), BEGIN)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, postgres: Cluster) -> Iterator[Path]:
    """Five homes: one that is served, one on a server that is not, one with a password, one empty, one that is none."""
    folder = tmp_path_factory.mktemp("rooms")
    for name in ("north", "south", "west", "empty", "broken"):
        home = make_home(folder / name)
        text = (home / "room.toml").read_text().replace('name = "shop"', f'name = "{name}"')
        (home / "room.toml").write_text(text)
    (folder / "no-home").mkdir()
    (folder / "broken" / "room.toml").write_text("[room]\n")
    with (folder / "south" / "room.toml").open("a") as file:
        file.write(f'\n[store]\nurl = "{postgres.database()}"\n')
    west = (folder / "west" / "room.toml").read_text()
    west = west.replace("[page]", '[page]\nhost = "0.0.0.0"\npassword_file = "page.password"')
    (folder / "west" / "room.toml").write_text(west)
    (folder / "west" / "page.password").write_text("a word for the page")
    with ExitStack() as stack:
        fill(folder / "north", stack, served=True)
        fill(folder / "west", stack, served=True)
        with ExitStack() as over:
            fill(folder / "south", over, served=True)
        yield folder


@pytest.fixture
def client(folder: Path) -> FlaskClient:
    return create_rooms_app(folder, Page("127.0.0.1", 8470), lambda: NOW, lambda: 0.0).test_client()


def cards(client: FlaskClient, host: str = "127.0.0.1:8470") -> dict[str, str]:
    """By room, what it tells."""
    answer = client.get("/", headers={"Host": host})
    assert answer.status_code == 200
    sections = re.findall(r"<section.*?</section>", answer.get_data(as_text=True), re.DOTALL)
    return {re.search(r"<h2[^>]*>(?:<a[^>]*>)?([\w-]+)", text)[1]: text for text in sections}


def words(card: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", card).split())


def test_a_room_that_is_served_tells_what_is_ready_dangerous_and_silent(client: FlaskClient) -> None:
    told = words(cards(client)["north"])
    assert "Ready to redip: t-7" in told
    assert "1 Ready" in told
    assert "1 Drying" in told
    assert "Danger: a crack &lt;b&gt;" in told
    assert "an early dip" not in told
    assert "no word" not in told
    assert told.endswith("Silent: rack-a temperature")


def test_a_room_that_is_not_served_has_nothing_ready(client: FlaskClient) -> None:
    told = words(cards(client)["south"])
    assert "The service does not run" in told
    assert "Ready" not in told
    assert "2 Unknown" in told


def test_what_cannot_be_told_says_why(client: FlaskClient) -> None:
    there = cards(client)
    assert set(there) == {"north", "south", "west", "empty", "broken"}
    assert "nothing has been recorded yet" in there["empty"]
    assert "drymon check tells why" in there["broken"]


def test_each_leads_to_its_own_page_as_this_browser_reaches_it(folder: Path) -> None:
    wide = create_rooms_app(folder, Page("0.0.0.0", 8470), lambda: NOW, lambda: 0.0).test_client()
    ports = {name: load_home(folder / name, secrets=False).page.port for name in ("north", "west")}
    local, other = cards(wide, "localhost:8470"), cards(wide, "10.0.0.5:8470")
    assert f'href="http://localhost:{ports["north"]}/"' in local["north"]
    assert f'href="http://10.0.0.5:{ports["west"]}/"' in other["west"]
    assert "href" not in other["north"]
    assert "for its own machine alone" in other["north"]
    assert "t-7" not in other["north"]


def ports_of(home: Path, store: object) -> Ports:
    given = dict.fromkeys(Ports.__dataclass_fields__)
    config = load_home(home, secrets=False)
    return Ports(**{**given, "config": config, "now": lambda: NOW, "running": lambda: 0.0, "secret": lambda: None,
                    "write": lambda work: work(store)})  # fmt: skip


def test_a_room_with_a_password_tells_whoever_is_signed_in_there(folder: Path, client: FlaskClient) -> None:
    from drymon.store import Store

    assert "sign in at its own page first" in cards(client)["west"]
    assert "t-7" not in cards(client)["west"]
    with Store.open(folder / "west" / "drymon.db") as store:
        session = Access(ports_of(folder / "west", store)).sign_in(store, "ilse", "a long enough word", "10.0.0.9")
    client.set_cookie(cookie_of("north"), session, domain="127.0.0.1")
    assert "sign in" in cards(client)["west"], "another room's session is none here"
    client.set_cookie(cookie_of("west"), session, domain="127.0.0.1")
    assert "Ready to redip: t-7" in words(cards(client)["west"])
    with Store.open(folder / "west" / "drymon.db") as store:
        store.save_user("ilse", hash_password("another long word"), BEGIN)
    assert "sign in" in cards(client)["west"], "a changed password ends the session here too"


def test_strangers_names_and_pages_elsewhere_are_turned_away(client: FlaskClient) -> None:
    assert client.get("/", headers={"Host": "evil.example"}).status_code == 421
    pulled = {"Host": "127.0.0.1", "Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}
    assert client.get("/", headers=pulled).status_code == 403
    assert client.post("/", headers={"Host": "127.0.0.1"}).status_code == 405
    assert "default-src 'none'" in client.get("/", headers={"Host": "127.0.0.1"}).headers["Content-Security-Policy"]


def test_the_command_shows_it_and_says_what_is_wrong_use(folder: Path, tmp_path: Path, capsys) -> None:
    assert main(["page", "--homes", str(tmp_path / "nowhere")]) == 2
    assert "there is no such folder" in capsys.readouterr().err
    assert main(["page", "--homes", str(folder), "--port", "0"]) == 2
    port = free_port()
    command = [sys.executable, "-m", "drymon.cli", "page", "--homes", str(folder), "--port", str(port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout.readline() == f"5 rooms at http://127.0.0.1:{port}/\n"
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=30) as answer:
            assert b"All rooms" in answer.read()
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/static/drymon.css", timeout=30) as answer:
            assert answer.status == 200
        assert main(["page", "--homes", str(folder), "--port", str(port)]) == 1
        assert "name another --port" in capsys.readouterr().err
        child.send_signal(signal.SIGTERM)
        assert child.wait(20) == 0
