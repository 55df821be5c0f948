"""Two processes for one room: one serves, one stands by; whatever ends the first, nothing is lost and nothing twice."""

import io
import signal
import time
import urllib.request
from collections import Counter
from pathlib import Path

import pytest

from drymon.cli.main import main
from drymon.messages.config import load_home
from drymon.messages.settings import Server
from drymon.store import Store, is_in_use
from tests.postgres import Cluster
from tests.service.conftest import Mosquitto, Serving, make_home, until
from tests.service.test_kill import Publisher, expected, mixed

SERVES, STANDS_BY = "subscriptions stand", "standing by"


def stored(where: Server) -> Counter[tuple[str, float]]:
    with Store.open(where, readonly=True) as store:
        return Counter((reading.sensor, reading.value) for reading in store.readings())


def times(serving: Serving, words: str) -> int:
    return serving.log.read_text().count(words) if serving.log.exists() else 0


def page_of(home: Path) -> bytes:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{load_home(home).page.port}/", timeout=20) as answer:
            return bytes(answer.read())
    except OSError:
        return b""


def end_connection_of(where: Server) -> None:
    """As a network does it: the process lives, its connection to the database does not."""
    with Store.open(where, readonly=True) as store:
        holds = "SELECT DISTINCT pid FROM pg_locks WHERE locktype = 'advisory' AND granted AND pid <> pg_backend_pid()"
        assert store._row(f"SELECT count(pg_terminate_backend(pid)) FROM ({holds}) AS held") == (1,)


@pytest.mark.timeout(200)
def test_a_second_process_takes_over_and_nothing_is_lost_or_twice(
    broker: Mosquitto, postgres: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    where = Server(postgres.database(), "shop")
    with (home / "room.toml").open("a") as file:
        file.write(f'\n[store]\nurl = "{where.url}"\n')
    one, other = (Serving(home, tmp_path / f"{name}.log") for name in ("one", "other"))
    monkeypatch.setattr("sys.stdin", io.StringIO("a long enough word\n"))
    publisher = None
    try:
        one.start()
        assert until(lambda: times(one, SERVES) == 1, 60)
        other.start()
        assert until(lambda: times(other, STANDS_BY) == 1, 60)
        publisher = Publisher(broker.port, mixed)
        assert until(lambda: stored(where).total() > 50, 60)
        assert b"rack-a" in page_of(home)
        assert main(["user", "add", "ilse", "--home", str(home)]) == 0, "by way of the process that serves"
        one.end(signal.SIGKILL)
        assert until(lambda: times(other, SERVES) == 1, 60)
        one.start()
        assert until(lambda: times(one, STANDS_BY) == 1, 60)
        end_connection_of(where)
        assert until(lambda: times(one, SERVES) == 2, 60)
        assert until(lambda: times(other, STANDS_BY) == 2, 60), "who lost the room stands by"
        assert (times(one, SERVES), times(other, SERVES)) == (2, 1), "one at a time"
        one.end(signal.SIGKILL)
        assert until(lambda: times(other, "turn 2 of this process") == 1, 60)
        postgres.stop("immediate")
        postgres.start()
        assert until(lambda: times(other, "turn 3 of this process") == 1, 60)
        publisher.stop()
        assert until(lambda: b"rack-a" in page_of(home), 60), "its page too, again by the same process"
        wanted = expected(publisher.said)
        assert wanted.total() > 300
        until(lambda: stored(where).total() >= wanted.total(), 60)
        time.sleep(0.5)
        assert other.end() == 0
        there = stored(where)
        assert not wanted - there, "lost"
        assert not there - wanted, "twice"
        assert not is_in_use(where)
    finally:
        if publisher is not None:
            publisher.stop()
        for each in (one, other):
            if each.process is not None and each.process.poll() is None:
                each.end(signal.SIGKILL)
