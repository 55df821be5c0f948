"""A home whose room.toml names a PostgreSQL database: every command says there what it says of a home with a file."""

import json
import shutil
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from drymon.cli.main import main
from drymon.messages.config import load_home
from drymon.messages.settings import Server, where_of
from drymon.service.clock import SystemClock
from drymon.store import Store, copying, only_writer
from drymon.store.opening import connect_reader, connect_writer, layout, migrate
from drymon.store.schema import MIGRATIONS
from drymon.views.page import draw
from tests.cli.cli_home import BEGIN, ROOM_TOML, stream_lines
from tests.postgres import Cluster
from tests.service.test_replay import morning


@pytest.fixture
def at_ten(monkeypatch: pytest.MonkeyPatch) -> None:
    """The wall's clock stands five minutes after the end of the streams."""
    monkeypatch.setattr(SystemClock, "wall", lambda _: BEGIN + timedelta(hours=4, minutes=5))


def home_in(folder: Path, url: str = "") -> Path:
    folder.mkdir()
    store = f'\n[store]\nurl = "{url}"\n' if url else ""
    (folder / "room.toml").write_text(ROOM_TOML + store)
    return folder


@pytest.fixture(scope="module")
def homes(postgres: Cluster, tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """Two homes of the same room, one with a file and one with a server, that the same two streams were played into."""
    folder = tmp_path_factory.mktemp("homes")
    streams = [folder / "morning.jsonl", folder / "small.jsonl"]
    streams[0].write_text(morning())
    streams[1].write_text("\n".join(stream_lines()[240:]) + "\n")
    url = postgres.database()
    made = SimpleNamespace(file=home_in(folder / "file"), server=home_in(folder / "server", url), url=url)
    for home in (made.file, made.server):
        for number, stream in enumerate(streams):
            assert main(["replay", "--home", str(home), str(stream), "--out", str(home / f"{number}.jsonl")]) == 0
    return made


def test_the_same_streams_give_the_same_bytes(homes: SimpleNamespace) -> None:
    for number in (0, 1):
        said = (homes.file / f"{number}.jsonl").read_bytes()
        assert said.count(b"out/tree") > 30
        assert (homes.server / f"{number}.jsonl").read_bytes() == said
    assert not (homes.server / "drymon.db").exists()


def rows(where: Path | Server) -> dict[str, list[tuple[object, ...]]]:
    tables = ("topic", "message", "channel", "node", "gap", "reading", "doubt", "event", "refused", "verdict", "minute")
    more = ("current_verdict", "current_rack", "current_plan", "alert", "alarm", "alarm_log", "outbox", "hour", "fact")
    with Store.open(where, readonly=True) as store:
        return {table: sorted(store._rows(f"SELECT * FROM {table}"), key=repr) for table in (*tables, *more)}


def test_every_row_is_the_same(homes: SimpleNamespace) -> None:
    there = rows(homes.file / "drymon.db")
    assert len(there["reading"]) > 500
    assert rows(load_home(homes.server).database) == there


@pytest.mark.parametrize(
    "words",
    [
        "status --json", "status", "export readings --out X", "export log --out X", "export verdicts --out X",
        "export alarms --out X", "export stream --out X", "alarms", "user list", "runs", "slurry", "plan", "notify",
        "undo t-9", "move t-9 rack-a",
    ],
)  # fmt: skip
def test_commands_say_the_same(homes: SimpleNamespace, tmp_path: Path, capsys, at_ten, words: str) -> None:
    said = []
    for home in (homes.file, homes.server):
        out = tmp_path / f"{home.name}.csv"
        code = main([str(out) if word == "X" else word for word in [*words.split(), "--home", str(home)]])
        told = capsys.readouterr()
        text = (told.out + told.err).replace(str(home), "HOME").replace(str(out), "FILE")
        said.append((code, text, out.read_bytes() if out.exists() else b""))
    assert said[0] == said[1]
    assert said[0][1:] != ("", b"")


def test_pictures_and_records_are_made_of_it(homes: SimpleNamespace, tmp_path: Path) -> None:
    for name, home in (("a", homes.file), ("b", homes.server)):
        words = ["--home", str(home), "--out", str(tmp_path / f"{name}.svg")]
        assert main(["plot", "rack", "rack-a", "--from", "2031-03-03T06:00Z", "--to", "2031-03-03T10:00Z", *words]) == 0
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()


def test_a_child_process_finds_the_record_by_one_word(
    homes: SimpleNamespace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the backup of the day, a picture for the page and a record are made."""
    for home in (homes.file, homes.server):
        where = load_home(home).database
        assert where_of(str(where)) == where
        monkeypatch.setattr("sys.argv", ["copying", str(where), str(tmp_path / f"{home.name}.db")])
        assert copying.main() == 0
        words = [str(home), str(where), "rack", "rack-a", "4", "2031-03-03T10:00:00+00:00"]
        assert draw.main([*words, str(tmp_path / f"{home.name}.svg")]) == 0
    assert rows(tmp_path / "file.db") == rows(tmp_path / "server.db")
    assert (tmp_path / "file.svg").read_bytes() == (tmp_path / "server.svg").read_bytes()


def test_check_tells_which_it_is(homes: SimpleNamespace, capsys) -> None:
    main(["check", "--home", str(homes.server)])
    told = " ".join(capsys.readouterr().out.split())
    assert "ok database PostgreSQL 1" in told
    assert homes.url in told
    assert "MB of this room" in told
    assert "fsync off" in told, "this server of the tests has it off"


def test_what_people_decide_is_kept_there(homes: SimpleNamespace, monkeypatch, capsys) -> None:
    monkeypatch.setattr("sys.stdin", (homes.file / "room.toml").open())  # its first line is no password
    assert main(["user", "add", "ilse", "--home", str(homes.server)]) == 2
    word = homes.file / "word"
    word.write_text("a long enough word\n")
    monkeypatch.setattr("sys.stdin", word.open())
    assert main(["user", "add", "ilse", "--home", str(homes.server)]) == 0
    capsys.readouterr()
    assert main(["user", "list", "--home", str(homes.server)]) == 0
    assert capsys.readouterr().out == "ilse\n"
    assert main(["user", "remove", "ilse", "--home", str(homes.server)]) == 0


def test_what_cannot_be_reached_is_told_with_what_to_do(tmp_path: Path, capsys) -> None:
    home = home_in(tmp_path / "home", "postgresql://drymon@127.0.0.1:9/shells")
    assert main(["status", "--home", str(home)]) == 1
    assert "see that the server runs and can be reached" in capsys.readouterr().err
    assert main(["check", "--home", str(home)]) == 1
    assert "wrong  database" in capsys.readouterr().out


# --- from the one to the other, and back -----------------------------------------------------------------------------


def test_a_backup_of_a_server_is_a_home_with_a_file(homes: SimpleNamespace, tmp_path: Path, capsys, at_ten) -> None:
    folder = tmp_path / "backup"
    assert main(["backup", str(folder), "--home", str(homes.server)]) == 0
    assert load_home(folder).database == folder / "drymon.db"
    assert rows(folder / "drymon.db") == rows(homes.file / "drymon.db")
    capsys.readouterr()
    said = []
    for home in (folder, homes.file):
        assert main(["status", "--json", "--home", str(home)]) == 0
        said.append(json.loads(capsys.readouterr().out))
    assert said[0] == said[1]


@pytest.fixture
def copied(homes: SimpleNamespace, tmp_path: Path) -> Path:
    """A home with a file, for a test to do with as it likes."""
    return Path(shutil.copytree(homes.file, tmp_path / "copy"))


def test_a_file_goes_to_a_server_and_the_room_goes_on(
    homes: SimpleNamespace, copied: Path, postgres: Cluster, tmp_path: Path, capsys
) -> None:
    url = postgres.database()
    assert main(["backup", "--to", url, "--home", str(copied)]) == 0
    assert "and compared" in capsys.readouterr().out
    there = Server(url, "shop")
    assert rows(there) == rows(copied / "drymon.db")
    with only_writer(there) as store:
        store.refuse(next(store.messages()), "one more")
    assert main(["backup", "--to", url, "--home", str(copied)]) == 1
    assert "has a record of its own" in capsys.readouterr().err


def test_what_was_stopped_on_the_way_goes_on(
    copied: Path, postgres: Cluster, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    url = postgres.database()
    monkeypatch.setattr("drymon.store.moving.AT_ONCE", 100)
    told: list[str] = []
    again: list[bool] = []

    def stop_at(words: str) -> None:
        told.append(words)
        if words == "reading: 200 rows" and not again:
            again.append(True)
            raise KeyboardInterrupt

    monkeypatch.setattr("drymon.cli.backup._progress", stop_at)
    assert main(["backup", "--to", url, "--home", str(copied)]) == 130
    there = Server(url, "shop")
    with Store.open(there, readonly=True) as store:
        assert store._row("SELECT count(*) FROM reading") == (200,)
    with pytest.raises(Exception, match="is not whole"), only_writer(there):
        pass
    told.clear()
    with Store.open(copied / "drymon.db") as store:  # the service ran in between, and cleared away what was old
        store._db.execute("DELETE FROM message WHERE id < 50")
    assert main(["backup", "--to", url, "--home", str(copied)]) == 0
    assert "reading: 100 rows" in told
    assert rows(there) == rows(copied / "drymon.db")


def test_a_backup_takes_the_place_of_the_room_on_the_server(
    homes: SimpleNamespace, copied: Path, postgres: Cluster, tmp_path: Path, capsys
) -> None:
    url = postgres.database()
    home = home_in(tmp_path / "server", url)
    assert main(["restore", str(copied / "drymon.db"), "--home", str(home)]) == 0
    assert "kept as" not in capsys.readouterr().out
    where = load_home(home).database
    with only_writer(where) as store:
        store.refuse(next(store.messages()), "of the one before")
    assert main(["restore", str(copied / "drymon.db"), "--home", str(home)]) == 0
    assert "what stood there is kept as the schema drymon-shop-" in capsys.readouterr().out
    assert rows(where) == rows(copied / "drymon.db")
    with only_writer(where), pytest.raises(Exception, match="in use by another"), only_writer(where):
        pass


def test_an_older_layout_is_brought_up_to_date_on_the_way(
    tmp_path: Path, postgres: Cluster, capsys: pytest.CaptureFixture[str]
) -> None:
    home, url = home_in(tmp_path / "old"), postgres.database()
    with closing(connect_writer(home / "drymon.db")) as db:
        migrate(db, None, MIGRATIONS[:3])
        db.execute("INSERT INTO channel (place, quantity, sensor) VALUES ('rack-a', 'temperature', '')")
        db.execute("INSERT INTO reading (time, arrived, channel, value, flags) VALUES (5000000, 6000000, 1, 21.5, 1)")
    assert main(["backup", "--to", url, "--home", str(home)]) == 0
    with Store.open(Server(url, "shop"), readonly=True) as store:
        assert [reading.value for reading in store.readings()] == [21.5]
    with closing(connect_reader(home / "drymon.db")) as db:
        assert layout(db) == 3, "what is copied stays as it is"
    assert sorted(file.name for file in home.iterdir() if file.is_dir()) == []


def test_an_address_of_another_kind_is_wrong_use(copied: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["backup", "--to", "mysql://x/y", "--home", str(copied)]) == 2
    assert "received 'mysql://x/y'; allowed is the address of a PostgreSQL database" in capsys.readouterr().err
