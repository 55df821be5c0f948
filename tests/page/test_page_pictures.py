"""Pictures on the page: drawn by a child, from roll-ups, kept, and never in the service's own process."""

import shutil
import subprocess
import sys
import urllib.request
import xml.etree.ElementTree as ElementTree
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from drymon.drying.quantities import Quantity
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service.clock import SystemClock
from drymon.shop.facts.events import Dip
from drymon.shop.facts.outcome import Bounds, State, Verdict, When
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.setup import Rack, RoomSetup
from drymon.store import Store
from drymon.views.page.long_air import long_air
from drymon.views.page.ports import Picture
from drymon.web import pictures as page_pictures
from drymon.web.server import PageServer
from tests.memory import OWN_MB, own_mb
from tests.page.conftest import ROOM, Shop, still, until

HEAVY = ("matplotlib", "pandas", "scipy", "sklearn")
NOW = datetime(2031, 6, 1, 12, tzinfo=UTC)


class StillClock(SystemClock):
    def wall(self) -> datetime:
        return NOW


@pytest.fixture(scope="module")
def still_shop(tmp_path_factory: pytest.TempPathFactory, broker_program: str) -> Iterator[Shop]:
    """Its service begins as a shop's does: what it has loaded and how much memory it takes is looked at."""
    yield from still(tmp_path_factory.mktemp("still"), anew=True)


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home with a year of hourly temperatures: 20, in the second half 24, with a spike and a gap of a month."""
    home = tmp_path_factory.mktemp("year")
    (home / "room.toml").write_text(ROOM.format(broker=1, page=2, host="127.0.0.1", password=""))
    with Store.open(home / "drymon.db", now=NOW) as store:
        with store.transaction():
            for hour in range(8760, 0, -1):
                if 2000 < hour < 2720:
                    continue
                moment = NOW - timedelta(hours=hour)
                value = 35.0 if hour == 5000 else 20.0 if hour > 4380 else 24.0
                reading = Reading(
                    time=moment, arrived=moment, place="rack-a", quantity=Quantity.TEMPERATURE, value=value
                )
                store.record(Message(moment, "drymon/shop/rack-a/temperature", b"1"), [reading], ())
        store.roll_up(NOW)
    return home


def draw(home: Path, kind: str, name: str, hours: int, out: Path) -> subprocess.CompletedProcess[str]:
    command = [
        sys.executable,
        "-m",
        "drymon.views.page.draw",
        str(home),
        str(home / "drymon.db"),
        kind,
        name,
        str(hours),
    ]
    return subprocess.run([*command, NOW.isoformat(), str(out)], capture_output=True, text=True, check=False)


def test_a_years_air_keeps_its_extremes(year: Path, tmp_path: Path) -> None:
    """How long it takes is measured in `benchmarks/pictures.py`."""
    file = tmp_path / "year.svg"
    done = draw(year, "rack", "rack-a", 8760, file)
    assert done.returncode == 0, done.stderr
    text = " ".join(ElementTree.parse(file).getroot().itertext())
    assert "Air at rack-a, Rack A" in text
    assert "mean, lowest and highest every 22 hours" in text
    assert "20.0 to 35.0 °C" in text, "a spike of one hour is not lost in a year's picture"


def test_a_long_span_keeps_means_extremes_and_gaps(year: Path) -> None:
    with Store.open(year / "drymon.db", readonly=True) as store:
        air = long_air(store, RoomSetup("shop"), Rack("rack-a"), NOW - timedelta(days=365), NOW)
    buckets = air.buckets[Quantity.TEMPERATURE]
    assert air.step == timedelta(hours=22)
    assert sum(bucket.count for bucket in buckets) == pytest.approx(8760 - 719, abs=22)
    assert {round(bucket.mean) for bucket in buckets} >= {20, 24}
    assert max(bucket.high for bucket in buckets) == 35.0
    steps = [after.start - before.start for before, after in pairwise(buckets)]
    assert max(steps) > timedelta(days=29), "the month without readings stays empty"
    assert air.buckets[Quantity.HUMIDITY] == []


def test_what_is_not_known_is_said(year: Path, tmp_path: Path) -> None:
    for kind, name in (("rack", "rack-z"), ("psychrometric", "rack-z"), ("tree", "t-404"), ("model", "mud")):
        done = draw(year, kind, name, 0, tmp_path / "none.svg")
        assert done.returncode == 1
        assert name in done.stderr
        assert not (tmp_path / "none.svg").exists()


def test_the_page_hands_pictures_on_and_keeps_them(still_shop: Shop) -> None:
    for path in (
        "/picture/tree/t-9.svg",
        "/picture/rack/rack-a.svg?hours=24",
        "/picture/psychrometric/rack-a.svg?hours=24",
        "/picture/model/backup.svg",
    ):
        status, text, headers = still_shop.get(path)
        assert status == 200, path
        assert headers["Content-Type"].startswith("image/svg+xml")
        assert "sandbox" in headers["Content-Security-Policy"]
        assert ElementTree.fromstring(text).tag.endswith("svg")
    for path in ("/picture/tree/nobody.svg", "/picture/rack/rack-z.svg"):
        assert still_shop.get(path)[0] == 503
    for path in ("/picture/rack/rack-a.svg?hours=99999", "/picture/dog/rack-a.svg", "/picture/rack/..%2Fx.svg"):
        assert still_shop.get(path)[0] == 404
    assert still_shop.get("/picture/psychrometric/rack-a.svg?hours=336")[0] == 404, "days apart, not weeks"


def test_a_trees_picture_is_made_anew_when_there_is_a_newer_word_on_it(tmp_path: Path) -> None:
    """The second word comes of time alone, without any message: what the page goes by is the word, not the arrival."""
    (tmp_path / "room.toml").write_text(ROOM.format(broker=1, page=2, host="127.0.0.1", password=""))
    dipped = NOW - timedelta(hours=1)

    def word(minutes: float) -> Verdict:
        moment = dipped + timedelta(minutes=minutes)
        return Verdict(moment, moment + timedelta(hours=2), "t-7", "rack-a", "backup", 2, dipped, State.DRYING,
                       Bounds(0.1, 0.2, 0.3), When(None, None, None), None, ())  # fmt: skip

    dip = Dip(time=dipped, arrived=dipped, tree="t-7", rack="rack-a", coat="backup", number=2)
    with Store.open(tmp_path / "drymon.db", now=NOW) as store:
        store.record(Message(dipped, "drymon/shop/log/dip", b"{}"), [dip])
        store.add_outcomes([word(0)])
    server = PageServer(load_home(tmp_path), tmp_path / "drymon.db", lambda _: None, lambda: True, StillClock())
    page = server.make_app().test_client()

    def said() -> str:
        return page.get("/picture/tree/t-7.svg", headers={"Host": "127.0.0.1:2"}).get_data(as_text=True)

    assert "as of 12:00" in said(), "an hour before noon in UTC, in Lisbon's summer"
    with Store.open(tmp_path / "drymon.db", now=NOW) as store:
        store.add_outcomes([word(1)])
    assert "as of 12:01" in said()


def test_a_picture_is_drawn_once_and_then_comes_from_memory(still_shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[str] = []
    real = page_pictures.made_by_child

    def counted(words: list[str], name: str, patience_s: float) -> bytes | None:
        drawn.append(words[3])
        return real(words, name, patience_s)

    monkeypatch.setattr(page_pictures, "made_by_child", counted)
    pictures = page_pictures.Pictures(still_shop.home, still_shop.home / "drymon.db", StillClock())
    first, again = (pictures.get(Picture("model", "backup")) for _ in range(2))
    assert first is not None
    assert (again, drawn) == (first, ["model"])


def test_a_racks_page_offers_the_psychrometric_chart_for_days(still_shop: Shop) -> None:
    """What the chart says is checked in the tests of the plots; here: it is the rack's, for the room's pressure."""
    page = still_shop.get("/rack/rack-a?hours=72")[1]
    assert "/picture/psychrometric/rack-a.svg?hours=72" in page
    assert "/picture/psychrometric" not in still_shop.get("/rack/rack-a?hours=336")[1]
    words = " ".join(ElementTree.fromstring(still_shop.get("/picture/psychrometric/rack-a.svg?hours=72")[1]).itertext())
    assert "Air at Rack A (rack-a) on the psychrometric chart" in words
    assert "at 1013 hPa" in words, "standard atmosphere at sea level: 1013.25 hPa (ISO 2533)"
    assert "saturation line" in words


def test_a_trees_record_is_downloaded_as_pdf_and_as_one_file(still_shop: Shop) -> None:
    page = still_shop.get("/tree/t-9")[1]
    for ending, kind, begins in (("pdf", "application/pdf", b"%PDF-"), ("html", "text/html", b"<!doctype html>")):
        path = f"/report/t-9.{ending}"
        assert path in page
        with urllib.request.urlopen(still_shop.url + path, timeout=120) as answer:
            body, headers = answer.read(), answer.headers
        assert headers["Content-Type"].startswith(kind)
        assert headers["Content-Disposition"] == f'attachment; filename="t-9.{ending}"'
        assert "sandbox" in headers["Content-Security-Policy"]
        assert headers["Cache-Control"] == "no-store"
        assert body[: len(begins)].lower() == begins.lower()
    assert "t-9" in body.decode()
    assert "face coat" in body.decode()
    assert still_shop.get("/report/t-404.pdf")[0] == 503
    for path in ("/report/t-9.svg", "/report/T%2F9.pdf", "/report/..%2f..%2fetc%2fpasswd.html", "/report/-.exe"):
        assert still_shop.get(path)[0] == 404, path


def test_the_service_stays_small_and_never_loads_what_draws(still_shop: Shop) -> None:
    if not Path("/proc/self/maps").exists():
        pytest.skip("no /proc on this system")
    assert still_shop.service is not None
    for _ in range(30):
        still_shop.get("/")
    still_shop.get("/picture/rack/rack-a.svg?hours=6")
    proc = Path(f"/proc/{still_shop.service.pid}")
    mapped = proc.joinpath("maps").read_text()
    assert "numpy" in mapped, "the map shows libraries"
    assert [heavy for heavy in HEAVY if f"/{heavy}/" in mapped] == []
    pid = still_shop.service.pid  # what was freed is given back every ten seconds
    assert until(lambda: own_mb(pid) < OWN_MB, 15), f"{own_mb(pid):.0f} MB of its own"


def test_two_hundred_loads_leave_memory_flat(still_shop: Shop) -> None:
    assert still_shop.service is not None
    if shutil.which("ps") is None:
        pytest.skip("no ps on this system")
    pid = str(still_shop.service.pid)

    def resident() -> int:
        return int(subprocess.check_output(["ps", "-o", "rss=", "-p", pid]))

    for _ in range(40):
        still_shop.get("/")
    before = resident()
    for _ in range(200):
        assert still_shop.get("/")[0] == 200
    assert resident() - before < 1500, "KiB; a page that leaked its 10 KiB each time would add 2000"
