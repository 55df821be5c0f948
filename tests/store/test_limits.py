"""What the store keeps, of how much and for how long, at the edges; and what it says of what it does."""

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from drymon.drying.quantities import Quantity
from drymon.errors import StoreError
from drymon.shop.facts.events import Dip, Felt, Leave, Undo
from drymon.shop.facts.outcome import AirNow, RackStatus, Reason, State, When
from drymon.store import Channel, HomeLock, Store, restore
from drymon.store.backup import move_aside, unfit
from drymon.store.image import Image
from drymon.store.images import Place
from drymon.store.numbering import MOST_GAPS
from drymon.store.plain import freeze, thaw
from drymon.store.strangers import no_such_tree

# --- images ----------------------------------------------------------------------------------------------------------


def image_of(numbers: np.ndarray) -> Image:
    return freeze({"numbers": numbers, "few": [1, 2]}, {}, {})


def kept(store: Store, version: str = "v") -> list[tuple[Place, float | None]]:
    """By image, the newest first, how far it goes and the last number that is read out of it."""
    found = []
    for place, image in store.images(version):
        found.append((place, None if image is None else float(thaw(image, {}, {})["numbers"][-1])))
    return found


def test_the_two_newest_images_are_kept_and_read_back(store: Store, reopened: Callable[[], Store]) -> None:
    for count in (1000.0, 2000.0, 3000.0):
        assert store.keep_image("v", image_of(np.arange(count)))
    assert [number for _, number in kept(store)] == [2999.0, 1999.0]
    with reopened() as again:
        assert [number for _, number in kept(again)] == [2999.0, 1999.0]


def test_images_share_the_parts_that_are_alike(store: Store) -> None:
    """A part has 4096 bytes: of 10,000 numbers there are twenty, of which the last alone is another."""
    numbers = np.arange(10_000.0)
    store.keep_image("v", image_of(numbers))
    assert len(list(store.kept_parts())) == 20
    numbers[-1] = -1.0
    store.keep_image("v", image_of(numbers))
    assert store._row("SELECT count(*) FROM image_part") == (21,)
    for _ in range(2):
        store.keep_image("v", image_of(numbers))
    assert store._row("SELECT count(*) FROM image_part") == (20,), "what no image needs is gone"


def test_an_image_says_how_far_it_goes(store: Store, make: SimpleNamespace) -> None:
    first = Leave(time=make.at(0), arrived=make.at(0), tree="t-1")
    store.record(make.message(0), [make.reading(0), make.reading(0, 45.0, quantity=Quantity.HUMIDITY)])
    store.record(make.message(1), [first])
    store.keep_image("v", image_of(np.arange(5.0)))
    ((place, _),) = kept(store)
    assert place == Place(2, 2, 1)
    later = make.message(2)
    store.record(later, [make.reading(2, 23.0)])
    store.record(make.message(3), [replace(first, tree="t-2")])
    assert list(store.messages_after(place)) == [later, make.message(3)]
    told = list(store.facts_after(place))
    assert [getattr(one, "value", None) or one.tree for one in told] == [23.0, "t-2"]
    for older in (Place(3, 2, 1), Place(2, 3, 1), Place(2, 2, 2)):
        assert older.has(place)
        assert not place.has(older)
    assert place.has(place)


@pytest.mark.parametrize("column", ["document", "heap", "parts", "checksum", "version"])
def test_an_image_that_was_changed_is_left_aside(store: Store, column: str) -> None:
    store.keep_image("v", image_of(np.arange(1000.0)))
    (value,) = store._row(f"SELECT {column} FROM image") or ()
    store._db.execute(f"UPDATE image SET {column} = ?", (value[:-1] + (b"?" if isinstance(value, bytes) else "?"),))
    assert [number for _, number in kept(store)] == [None]


def test_an_image_of_another_version_or_of_a_longer_record_is_left_aside(store: Store, make: SimpleNamespace) -> None:
    store.record(make.message(), [make.reading()])
    store.keep_image("v", image_of(np.arange(5.0)))
    assert [number for _, number in kept(store, "w")] == [None]
    store._db.execute("DELETE FROM reading")
    assert [number for _, number in kept(store)] == [None]


def test_a_part_that_was_changed_is_found_when_it_is_read(store: Store) -> None:
    store.keep_image("v", image_of(np.arange(1000.0)))
    store._db.execute("UPDATE image_part SET body = ?", (bytes(4096),))
    ((_, image),) = store.images("v")
    assert image is not None
    assert len(image.parts) == 2
    assert set(image.parts) == set(image.order)
    for name in image.parts:
        with pytest.raises(LookupError, match="not what it was"):
            image.parts[name]
    store._db.execute("DELETE FROM image_part")
    with pytest.raises(LookupError, match="not there"):
        image.parts[image.order[0]]


def test_images_thrown_away_leave_nothing(store: Store) -> None:
    store.keep_image("v", image_of(np.arange(1000.0)))
    store.drop_images()
    assert kept(store) == []
    assert store._row("SELECT count(*) FROM image_part") == (0,)
    store.keep_image("v", image_of(np.arange(1000.0)))
    assert [number for _, number in kept(store)] == [999.0]


def test_an_image_of_more_than_256_megabytes_is_not_kept(store: Store) -> None:
    """Its parts are counted by their names: 65,536 of 4096 bytes are that many, and its words come on top."""
    names = tuple(number.to_bytes(16) for number in range(65_536))
    assert not store.keep_image("v", Image("{}", b"", names, {}))
    assert kept(store) == []


# --- plain data ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("numbers", "where"), [(128, "heap"), (129, "parts")])
def test_arrays_up_to_a_kilobyte_go_into_the_heap(numbers: int, where: str) -> None:
    image = freeze(np.arange(float(numbers)), {}, {})
    assert f'"{where}"' in image.document
    assert len(image.heap) == (8 * numbers if where == "heap" else 0)
    assert len(image.order) == (0 if where == "heap" else 1)


@pytest.mark.parametrize(("numbers", "parts"), [(512, 1), (513, 2), (1024, 2), (1025, 3)])
def test_parts_have_four_kilobytes(numbers: int, parts: int) -> None:
    image = freeze(np.arange(float(numbers)), {}, {})
    assert len(image.order) == parts
    assert max(map(len, image.parts.values())) == 4096
    np.testing.assert_array_equal(thaw(image, {}, {}), np.arange(float(numbers)))


@pytest.mark.parametrize(("count", "kind"), [(7, "few"), (8, "floats")])
def test_eight_numbers_are_an_array(count: int, kind: str) -> None:
    image = freeze(tuple(map(float, range(count))), {}, {})
    assert f'"{kind}"' in image.document
    assert thaw(image, {}, {}) == tuple(map(float, range(count)))


def test_parts_that_are_there_are_not_given_again() -> None:
    numbers = np.arange(2000.0)
    whole = freeze(numbers, {}, {})
    again = freeze(numbers, {}, {}, whole.parts.keys())
    assert again.parts == {}
    assert again.order == whole.order


# --- record ----------------------------------------------------------------------------------------------------------


def test_a_payload_of_a_megabyte_is_kept_and_a_longer_one_is_not(store: Store, make: SimpleNamespace) -> None:
    fits = make.message(0, b"x" * 1_048_576)
    store.record(fits, [])
    store.record(make.message(1, b"x" * 1_048_577), [])
    assert list(store.messages()) == [fits]


@pytest.mark.parametrize(("retain", "dup", "qos"), [(True, False, 0), (False, True, 2), (True, True, 1)])
def test_how_a_message_came_is_kept(store: Store, make: SimpleNamespace, retain: bool, dup: bool, qos: int) -> None:
    sent = make.message(0, retain=retain, dup=dup, qos=qos, mid=9, expiry_s=60)
    store.record(sent, [])
    assert list(store.messages()) == [sent]


def test_a_redelivery_is_known_among_the_last_five_thousand(
    store: Store, reopened: Callable[[], Store], make: SimpleNamespace
) -> None:
    with store.transaction():
        for number in range(5000):
            store.record(make.message(number, qos=1, mid=number), [])
    assert store.record(make.message(0, qos=1, mid=0, dup=True), [make.reading()]) == []
    with reopened() as again:
        assert again.record(make.message(0, qos=1, mid=0, dup=True), [make.reading()]) == []
        again.record(make.message(5000, qos=1, mid=5000), [])
        assert again.record(make.message(0, qos=1, mid=1, dup=True), [make.reading()]) == []
        assert again.record(make.message(0, qos=1, mid=0, dup=True), [make.reading()]) == [make.reading()]


def test_of_a_refused_message_four_kilobytes_and_a_thousand_bytes_of_reasons_are_kept(
    store: Store, make: SimpleNamespace
) -> None:
    store.refuse(make.message(0, b"x" * 5000, topic="t" * 1500), "r" * 1500)
    (kept_,) = store.latest_refused()
    assert (len(kept_.payload), kept_.size, len(kept_.topic), len(kept_.reason)) == (4096, 5000, 1000, 1000)
    assert store.refused_count() == 1


def test_holes_of_a_node_are_kept_up_to_a_thousand() -> None:
    assert MOST_GAPS == 1000


# --- verdicts and notices --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("seconds", "count"), [(294.9, 1), (295.0, 2), (300.0, 2)])
def test_a_verdict_that_says_nothing_new_enters_the_history_every_five_minutes(
    store: Store, make: SimpleNamespace, seconds: float, count: int
) -> None:
    """Less five seconds, for verdicts are made at whole fifths of a minute's seconds."""
    store.add_outcomes([make.verdict(0), make.verdict(seconds)])
    assert len(list(store.verdict_history())) == count
    assert store.current_verdicts() == [make.verdict(seconds)]


def test_a_verdict_in_all_its_parts_comes_back(store: Store, make: SimpleNamespace) -> None:
    whole = replace(
        make.verdict(0), redip_by=make.at(900), shelter="deep", recipe="iron", next_coat="seal", label="Otter 3",
        reasons=(Reason("wet", "wet"), Reason("redipped-early", "early", "danger")),
    )  # fmt: skip
    bare = replace(make.verdict(0, tree="t-8"), dryness=None, dry_at=When(None, None, None), next_coat=None)
    store.add_outcomes([whole, bare])
    assert store.current_verdicts() == [whole, bare]
    rack = RackStatus(make.at(0), make.at(600), "rack-a", True, When(make.at(1), None, make.at(3)), None,
                      {"t-8": State.READY, "t-7": State.DRYING}, AirNow(21.0, None, 0.5, 101_325.0, True))  # fmt: skip
    store.add_outcomes([rack])
    assert store.current_racks() == [rack]
    assert list(store.current_racks()[0].trees) == ["t-8", "t-7"]


def test_a_notice_comes_again_after_two_minutes_and_sooner_where_it_is_hastened(
    store: Store, make: SimpleNamespace
) -> None:
    store.queue_notice(make.at(0), "mail", {}, "a")
    assert len(store.claim_notices(make.at(0))) == 1
    assert store.claim_notices(make.at(119.9)) == []
    store.hasten_notices(make.at(60), timedelta(seconds=59))
    assert store.claim_notices(make.at(60)) == []
    store.hasten_notices(make.at(60), timedelta(seconds=60))
    assert [notice.next_try for notice in store.notices()] == [make.at(60)]
    (again,) = store.claim_notices(make.at(60))
    assert again.attempts == 1, "as it was before this try"
    assert store.notices()[0].attempts == 2


def test_notices_of_channels_that_are_not_asked_for_wait_and_twenty_go_at_once(
    store: Store, make: SimpleNamespace
) -> None:
    for number in range(25):
        store.queue_notice(make.at(0), "mail" if number else "hook", {}, str(number))
    assert [notice.key for notice in store.claim_notices(make.at(0), but=("mail",))] == ["0"]
    assert [notice.key for notice in store.claim_notices(make.at(0))] == [str(number) for number in range(1, 21)]
    assert len(store.claim_notices(make.at(0))) == 4


# --- opening, copies, locks ------------------------------------------------------------------------------------------


@pytest.mark.of_a_file
def test_a_new_database_has_small_pages_and_a_bounded_log(store: Store) -> None:
    assert store._row("PRAGMA page_size") == (2048,)
    assert store._row("PRAGMA journal_size_limit") == (16_777_216,)
    assert store._row("PRAGMA application_id") == (int.from_bytes(b"DRMN"),)


def test_what_stood_in_a_databases_place_is_numbered(path: Path, make: SimpleNamespace) -> None:
    for number in (1, 2, 3):
        path.write_bytes(b"x")
        path.with_name("drymon.db-wal").write_bytes(b"y")
        aside = move_aside(path, "replaced", make.at(0))
        assert aside.name == f"drymon.db.replaced-20310303T060000Z-{number}"
        assert path.with_name(f"{aside.name}-wal").exists()
        assert not path.exists()
    path.write_bytes(b"x")
    assert move_aside(path, "damaged", None).name == "drymon.db.damaged-1"


def test_what_is_no_backup_is_told(path: Path, tmp_path: Path) -> None:
    assert unfit(path) == "there is no such file"
    with closing(sqlite3.connect(tmp_path / "empty.db")) as db:
        db.execute("PRAGMA user_version = 0")
    (tmp_path / "empty.db").touch()
    assert unfit(tmp_path / "empty.db") == "it is empty"
    with closing(sqlite3.connect(tmp_path / "other.db")) as db:
        db.execute("CREATE TABLE theirs (x)")
    assert "not one of drymon" in unfit(tmp_path / "other.db")


def test_a_backup_is_put_where_nothing_stands(store: Store, path: Path, make: SimpleNamespace, tmp_path: Path) -> None:
    store.record(make.message(), [make.reading(0, 5.0)])
    store.backup(tmp_path / "copies" / "one.db")
    target = tmp_path / "new" / "drymon.db"
    assert restore(tmp_path / "copies" / "one.db", target, make.at(0)) is None
    with Store.open(target) as again:
        assert [reading.value for reading in again.readings()] == [5.0]
    assert sorted(file.name for file in (tmp_path / "copies").iterdir()) == ["one.db"]


def test_a_lock_is_let_go_and_can_be_taken_again(tmp_path: Path) -> None:
    lock = HomeLock(tmp_path)
    for _ in range(2):
        with lock, pytest.raises(StoreError, match="in use by another drymon"):
            HomeLock(tmp_path).acquire()
        lock.release()


# --- read back -------------------------------------------------------------------------------------------------------


def test_readings_are_asked_for_by_time_place_quantity_and_sensor(store: Store, make: SimpleNamespace) -> None:
    said = [
        make.reading(0, 1.0), make.reading(10, 2.0, sensor="s"), make.reading(20, 3.0, place="room"),
        make.reading(30, 4.0, quantity=Quantity.HUMIDITY),
    ]  # fmt: skip
    store.record(make.message(), said)

    def values(*args: object, **more: object) -> list[float]:
        return [reading.value for reading in store.readings(*args, **more)]

    assert values() == [1.0, 2.0, 3.0, 4.0]
    assert values(make.at(10), make.at(30)) == [2.0, 3.0]
    assert values(to=make.at(10)) == [1.0]
    assert values(place="rack-a") == [1.0, 2.0, 4.0]
    assert values(quantity="humidity") == [4.0]
    assert values(sensor="s") == [2.0]
    store.flag_readings(Channel("rack-a", "temperature"), make.at(0), make.at(0), "stuck")
    store.flag_readings(Channel("room", "temperature"), make.at(20), make.at(20), "drifted")
    assert values(doubted=False) == [2.0, 3.0, 4.0], "what is only too dry was measured all the same"


def test_spans_of_doubt_are_asked_for_by_what_they_overlap(store: Store, make: SimpleNamespace) -> None:
    channel = Channel("rack-a", "temperature")
    for first, last in ((0, 10), (20, 30)):
        store.flag_readings(channel, make.at(first), make.at(last), "stuck")
    spans = lambda *args: [(doubt.first, doubt.last) for doubt in store.doubts(*args)]  # noqa: E731
    one, other = (make.at(0), make.at(10)), (make.at(20), make.at(30))
    assert spans() == [one, other]
    assert spans(make.at(10), make.at(20)) == [one]
    assert spans(make.at(11)) == [other]
    assert spans(None, make.at(21)) == [one, other]
    store.flag_readings(channel, make.at(10), make.at(20), "stuck")
    assert spans() == [(make.at(0), make.at(30))]
    store.flag_readings(channel, make.at(5), make.at(6), "too-fast")
    assert len(spans()) == 2, "of another code"


@pytest.mark.parametrize("cut", [0.5, 5.0, 9.5])
def test_facts_since_a_moment_come_in_the_order_of_arrival(store: Store, make: SimpleNamespace, cut: float) -> None:
    for second in range(10):
        item = Leave(time=make.at(0), arrived=make.at(second), tree=f"t-{second}") if second % 3 == 0 else None
        store.record(make.message(second), [item or make.reading(second, float(second))])
    told = [getattr(fact, "value", None) if not isinstance(fact, Leave) else fact.tree for fact in store.facts()]
    whole = [f"t-{second}" if second % 3 == 0 else float(second) for second in range(10)]
    assert told == whole
    since = [getattr(f, "value", None) if not isinstance(f, Leave) else f.tree for f in store.facts(make.at(cut))]
    assert since == whole[int(np.ceil(cut)) :]


# --- trees that nobody knows -----------------------------------------------------------------------------------------


def test_events_about_trees_that_never_hung_here_or_have_left_are_told_of(store: Store, make: SimpleNamespace) -> None:
    dip = Dip(time=make.at(0), arrived=make.at(0), tree="t-7", rack="rack-a", coat="backup")
    left = Leave(time=make.at(600), arrived=make.at(600), tree="t-7")
    felt = Felt(time=make.at(300), arrived=make.at(300), tree="t-7", finding="wet")
    assert no_such_tree(store, felt) == 'tree: received "t-7"; there is no such tree; in the room hang no trees'
    undo = Undo(time=make.at(5), arrived=make.at(5), tree="t-7")
    assert "nothing said of it that still stands" in no_such_tree(store, undo)
    assert no_such_tree(store, dip) == ""
    store.record(make.message(0), [dip])
    store.add_outcomes([make.verdict(0), make.verdict(0, tree="t-9")])
    assert no_such_tree(store, felt) == no_such_tree(store, replace(felt, time=make.at(-60))) == ""
    assert no_such_tree(store, undo) == ""
    assert 'received "e-1"; nothing that stands' in no_such_tree(store, replace(undo, entry="e-1"))
    store.record(make.message(600), [left])
    assert no_such_tree(store, replace(felt, time=make.at(900), arrived=make.at(900))).endswith("hang t-7, t-9")
    assert no_such_tree(store, felt) == "", "it hung there then"


def test_a_copy_is_on_the_disk_before_it_takes_a_place_and_the_place_after(
    store: Store, path: Path, make: SimpleNamespace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """fsync(2): a file's content, then the folder's; else the power could leave an empty file under the new name."""
    done: list[str] = []
    sync, place = os.fsync, Path.replace

    def synced(handle: int) -> None:
        done.append(f"sync {Path(os.readlink(f'/proc/self/fd/{handle}')).name}")
        sync(handle)

    def replaced(source: Path, target: Path) -> Path:
        done.append(f"place {target.name}")
        return place(source, target)

    store.record(make.message(), [make.reading()])
    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(Path, "replace", replaced)
    store.backup(tmp_path / "copies" / "one.db")
    assert done == ["sync one.db.part", "place one.db", "sync copies"]
    done.clear()
    restore(tmp_path / "copies" / "one.db", tmp_path / "new" / "drymon.db")
    assert done == ["sync drymon.db.part", "place drymon.db", "sync new"]


def test_a_lock_names_its_holder_whatever_stood_in_its_file(tmp_path: Path) -> None:
    (tmp_path / "drymon.lock").write_text("1234567890123\n")
    with HomeLock(tmp_path), pytest.raises(StoreError, match=rf"\(process {os.getpid()}\)"):
        HomeLock(tmp_path).acquire()
    assert (tmp_path / "drymon.lock").read_text() == f"{os.getpid()}\n"
