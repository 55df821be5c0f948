"""A tree's own page goes by the same life as its report and as the room."""

from pathlib import Path

import pytest

from drymon.shop.facts.events import LogEvent, Look, Move, Weigh
from drymon.store import Store
from drymon.views.page.tree_view import TreeRecord, tree_record
from drymon.views.report.record import shell_record
from tests.views.invented import ROOM, hours
from tests.views.record_home import at, dip, fill, temperatures

SCRAPPED: list[LogEvent] = [
    dip(0.5, "prime", "Ilse", shelter="deep"),
    Look(**at(4.0), finding="scrap"),
    dip(8.0, "backup", "Ravi"),
    Weigh(**at(9.0), mass=2.0),
    Move(**at(12.0), rack="rack-b"),
]


def look(database: Path) -> TreeRecord:
    with Store.open(database, readonly=True) as store:
        return tree_record(store, ROOM, "t-7", hours(20))


def test_a_scrapped_tree_of_the_same_name_is_another_tree(tmp_path: Path) -> None:
    database = fill(tmp_path / "drymon.db", SCRAPPED)
    record = look(database)
    assert [(coat.dip.coat, coat.number, coat.end) for coat in record.coats] == [("backup", 1, hours(20))]
    assert [weigh.mass for weigh in record.weights] == [2.0]
    assert len(record.events) == 3
    with Store.open(database, readonly=True) as store:
        assert [coat.coat.dip.coat for coat in shell_record(store, ROOM, {}, "t-7").coats] == ["backup"]


def test_the_air_of_a_moved_coat_is_of_both_racks(tmp_path: Path) -> None:
    """rack-b has no sensor, so what counts is the time on rack-a; its sensor is calibrated by 1 degC."""
    (coat,) = look(fill(tmp_path / "drymon.db", SCRAPPED)).coats
    seen = temperatures(8.0, 12.0)
    assert coat.air.temperature_c == pytest.approx(sum(seen) / len(seen) + 1.0, abs=0.05)


def test_a_tree_without_a_dip_that_stands_shows_its_log_alone(tmp_path: Path) -> None:
    record = look(fill(tmp_path / "drymon.db", [Weigh(**at(1.0), mass=2.0)]))
    assert (len(record.coats), len(record.weights), len(record.events)) == (0, 1, 1)
