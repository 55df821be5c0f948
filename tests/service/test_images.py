"""A start from an image of the room: the same bytes are published as by a room that never stopped."""

import os
import random
import subprocess
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from drymon.drying.coat_model import CoatModel
from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.settings import HomeConfig
from drymon.messages.streams import StreamWriter
from drymon.service.pipeline import Pipeline
from drymon.service.room_images import made
from drymon.shop.fold.room import Room
from drymon.store import Calibration, Store
from tests.service.random_streams import BEGIN, Shop

ROOM = """
[room]
name = "shop"
[[rack]]
name = "rack-a"
[[rack]]
name = "rack-b"
[[cell]]
name = "cell-1"
rack = "rack-a"
[[cell]]
name = "cell-2"
rack = "rack-a"
[[coat]]
name = "prime-first"
family = "prime"
fastest_loss_pct_per_h = 80
room = { swing_c = 3 }
[[coat]]
name = "backup"
family = "backup"
stucco_mesh = [30, 50]
[[coat]]
name = "seal"
family = "seal"
[[recipe]]
name = "standard"
coats = ["prime-first", "backup", "backup", "seal"]
"""


class Shops:
    """Homes of the same room."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._count = 0
        (folder / "room.toml").write_text(ROOM, "utf-8")
        self.config: HomeConfig = load_home(folder)
        self.models: dict[str, CoatModel] = dict(load_models(folder))

    def new(self) -> Pipeline:
        self._count += 1
        return self.again(Store.open(self._folder / f"{self._count}.db"))

    def again(self, store: Store) -> Pipeline:
        pipeline = Pipeline(self.config, self.models, store)
        pipeline.resume()
        return pipeline

    def image(self, pipeline: Pipeline) -> bytes:
        """All that its room has folded, as plain data."""
        image = made(pipeline.room)
        return image.document.encode() + image.heap + b"".join(image.order)


@pytest.fixture(scope="module")
def shops(tmp_path_factory: pytest.TempPathFactory) -> Shops:
    return Shops(tmp_path_factory.mktemp("shops"))


@pytest.fixture
def went_on(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """For each start whether it went on from an image."""
    found: list[bool] = []
    go_on = Pipeline.go_on

    def noted(pipeline: Pipeline, *how: object) -> bool:
        found.append(go_on(pipeline, *how))
        return found[-1]

    monkeypatch.setattr(Pipeline, "go_on", noted)
    return found


@settings(
    max_examples=4,
    derandomize=True,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=list(HealthCheck),
)
@given(seed=st.integers(0, 2**32), hours=st.sampled_from((2.0, 3.0, 4.0)))
def test_a_room_that_is_stopped_at_any_moment_says_what_one_says_that_never_was(
    shops: Shops, seed: int, hours: float
) -> None:
    """Random streams, with late evidence, undo, and dips told late for a moment before the image."""
    whole, cut = shops.new(), shops.new()
    luck, messages = random.Random(seed), Shop(seed, hours).messages()
    cut.batch(messages[:1])
    whole.batch(messages[:1])
    assert cut.keep_image()
    first = 1
    while first < len(messages):
        some = messages[first : first + luck.choice((1, 5, 40, 200))]
        first += len(some)
        until = some[-1].arrived + timedelta(seconds=luck.choice((0, 0, 20, 90)))
        until = min(until, messages[first].arrived) if first < len(messages) else until
        assert cut.batch(some, until) == whole.batch(some, until)
        if luck.random() < 0.15:
            assert cut.keep_image()
        elif luck.random() < 0.2 or first >= len(messages):
            cut = shops.again(cut.store)
            cut.batch([], until)  # nothing on record tells how far time had gone on in silence
            assert shops.image(cut) == shops.image(whole)
    for pipeline in (whole, cut):
        pipeline.store.close()


def replayed(home: Path, stream: Path, seed: str) -> list[str]:
    """What another process says to a stream."""
    out = home / f"{stream.stem}.out.jsonl"
    command = [sys.executable, "-m", "drymon.cli.main", "--home", str(home), "replay", str(stream), "--out", str(out)]
    subprocess.run(command, check=True, env={**os.environ, "PYTHONHASHSEED": seed}, capture_output=True, timeout=300)
    return out.read_text("utf-8").splitlines()


def test_a_stream_cut_in_two_is_replayed_by_two_processes_as_by_one(tmp_path: Path) -> None:
    messages = Shop(7, 6.0).messages()
    middle = next(i for i, one in enumerate(messages) if one.arrived > BEGIN + timedelta(hours=3))
    for name, part in (("whole", messages), ("first", messages[:middle]), ("rest", messages[middle:])):
        with StreamWriter(tmp_path / f"{name}.jsonl") as writer:
            for message in part:
                writer.write(message)
    homes = tmp_path / "one", tmp_path / "two"
    for home in homes:
        home.mkdir()
        (home / "room.toml").write_text(ROOM, "utf-8")
    one = replayed(homes[0], tmp_path / "whole.jsonl", "1")
    two = replayed(homes[1], tmp_path / "first.jsonl", "2") + replayed(homes[1], tmp_path / "rest.jsonl", "3")
    assert len(one) > 100
    assert two == one


def played(shops: Shops) -> tuple[Pipeline, list[Message]]:
    """A room some hours on, with two images of it and some messages after them; and what comes next."""
    pipeline, messages = shops.new(), Shop(11, 4.0).messages()
    for begin in range(0, 900, 300):
        pipeline.batch(messages[begin : begin + 300])
        if begin:
            assert pipeline.keep_image()
    pipeline.batch(messages[900:950])
    return pipeline, messages[950:]


Harm = Callable[[Store], object]


def _sql(statement: str) -> Harm:
    return lambda store: store._db.execute(statement)


NEWEST = "WHERE id = (SELECT max(id) FROM image)"
ALL_GONE: dict[str, Harm] = {
    "of another version": _sql("UPDATE image SET version = 'another'"),
    "parts are missing": _sql("DELETE FROM image_part WHERE id % 7 = 3"),
    "a part is another": _sql("UPDATE image_part SET body = zeroblob(length(body)) WHERE id % 5 = 0"),
    "no image": _sql("DELETE FROM image"),
    "made of rows that are not there": _sql("UPDATE image SET message = message + 100000"),
    "a calibration since": lambda store: store.add_calibration(
        Calibration(BEGIN, "rack-b/temperature", "temperature", {"gain": 1.0, "offset": 0.0})
    ),
}
NEWEST_GONE: dict[str, Harm] = {
    "its document is damaged": _sql(f"UPDATE image SET document = substr(document, 2) {NEWEST}"),
    "its heap is damaged": _sql(f"UPDATE image SET heap = zeroblob(length(heap)) {NEWEST}"),
    "its list of parts is damaged": _sql(f"UPDATE image SET parts = zeroblob(length(parts)) {NEWEST}"),
    "its checksum is": _sql(f"UPDATE image SET checksum = zeroblob(16) {NEWEST}"),
    "its place is": _sql(f"UPDATE image SET reading = reading - 1 {NEWEST}"),
}


@pytest.mark.parametrize("harm", ALL_GONE.values(), ids=ALL_GONE.keys())
def test_an_image_in_doubt_is_left_aside_and_all_is_folded_anew(shops: Shops, harm: Harm, went_on: list[bool]) -> None:
    pipeline, rest = played(shops)
    said = pipeline.store.current_verdicts()
    with pipeline.store.transaction():
        harm(pipeline.store)
    again = shops.again(pipeline.store)
    assert went_on[-1] is False
    assert said
    assert {one.tree for one in said} == set(again.room.standing().trees)
    assert again.batch(rest)
    assert again.keep_image()
    shops.again(again.store)  # nothing of what was damaged is in the next one
    assert went_on[-1] is True


@pytest.mark.parametrize("harm", NEWEST_GONE.values(), ids=NEWEST_GONE.keys())
def test_an_older_image_does_where_the_newest_is_damaged(shops: Shops, harm: Harm, went_on: list[bool]) -> None:
    pipeline, _ = played(shops)
    with pipeline.store.transaction():
        harm(pipeline.store)
    again = shops.again(pipeline.store)
    assert went_on[-1] is True
    assert shops.image(again) == shops.image(pipeline)
    assert again.keep_image()
    assert shops.image(shops.again(again.store)) == shops.image(pipeline)


def test_another_set_up_another_model_or_a_fault_while_going_on_leaves_the_image_aside(
    shops: Shops, tmp_path: Path, went_on: list[bool], monkeypatch: pytest.MonkeyPatch
) -> None:
    pipeline, _ = played(shops)
    kept = {table: list(pipeline.store._db.rows(f"SELECT * FROM {table}")) for table in ("image", "image_part")}

    def put_back() -> None:
        for table, rows in kept.items():
            holes = ", ".join("?" * len(rows[0]))
            pipeline.store._db.execute_many(f"INSERT INTO {table} VALUES ({holes})", rows)

    (tmp_path / "room.toml").write_text(ROOM.replace("swing_c = 3", "swing_c = 4"), "utf-8")
    Pipeline(load_home(tmp_path), shops.models, pipeline.store).resume()
    put_back()
    (tmp_path / "room.toml").write_text(ROOM.replace('family = "seal"', 'family = "seal"\nusual_wait_h = 3'), "utf-8")
    Pipeline(load_home(tmp_path), shops.models, pipeline.store).resume()
    put_back()
    fewer = {name: model for name, model in shops.models.items() if name != "seal"}
    Pipeline(shops.config, fewer, pipeline.store).resume()
    put_back()
    with monkeypatch.context() as broken:
        broken.setattr(Room, "remember", lambda *_: 1 / 0)
        shops.again(pipeline.store)
    put_back()
    shops.again(pipeline.store)
    assert went_on == [False, False, False, False, True]


def test_images_are_few_and_share_their_parts(shops: Shops) -> None:
    pipeline, rest = played(shops)

    def count(table: str) -> int:
        return int(pipeline.store._db.row(f"SELECT count(*) FROM {table}")[0])

    before = count("image_part")
    sizes = []
    for begin in range(0, 200, 10):
        pipeline.batch(rest[begin : begin + 10])
        assert pipeline.keep_image()
        sizes.append(count("image_part"))
    assert count("image") == 2
    assert max(sizes) < 1.5 * before


def test_what_cannot_be_kept_is_told_and_stops_nothing(
    shops: Shops, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    pipeline, rest = played(shops)
    vars(pipeline.room)["_leans"] = {"rack-a": object()}
    assert not pipeline.keep_image()
    assert "no image of the room can be kept" in caplog.text
    vars(pipeline.room)["_leans"] = {}
    monkeypatch.setattr("drymon.store.images.MOST_BYTES", 1000)
    assert not pipeline.keep_image()
    assert "too large for an image" in caplog.text
    assert pipeline.batch(rest)
