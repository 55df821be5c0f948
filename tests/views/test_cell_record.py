"""A load cell's readings for fits and pictures, read back from the record."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.readback.cell_record import cell_readings
from drymon.service.pipeline import Pipeline
from drymon.shop.facts.corrected import Corrections
from drymon.store import Store

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)
ROOM = """
[room]
name = "shop"
[[rack]]
name = "rack-a"
[[cell]]
name = "cell-1"
rack = "rack-a"
"""


def test_what_the_broker_had_kept_is_no_weighing(tmp_path: Path) -> None:
    """A subscription anew hands the last weight over once more: of the tree that hung there before, perhaps."""
    (tmp_path / "room.toml").write_text(ROOM, encoding="utf-8")
    topic = "drymon/shop/rack-a/weight/cell-1"
    said = [Message(BEGIN + timedelta(minutes=m), topic, f"{3 + m / 100}".encode(), retain=m == 2) for m in range(5)]
    with Store.open(tmp_path / "drymon.db") as store:
        Pipeline(load_home(tmp_path), {}, store).batch(said)
        read = cell_readings(store, Corrections({}), "cell-1", BEGIN, BEGIN + timedelta(hours=1), BEGIN)
        assert [(at / 60, round(kg, 6)) for at, kg in read] == [(0, 3.0), (1, 3.01), (3, 3.03), (4, 3.04)]
