"""The ring on disk: order, confirmation, bounds."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import pytest
from rings import SESSION, files, opened, values, waiting

from drymon_sensors.buffer.ring import TIDY, Kept, new_boot
from drymon_sensors.errors import SetupError


def test_what_was_put_in_comes_out_in_order_until_it_is_confirmed(tmp_path: Path) -> None:
    ring = opened(tmp_path)
    numbers = [ring.append([f"r{n}"]) for n in range(5)]
    assert [seq for _, seq in numbers] == [1, 2, 3, 4, 5]
    assert len({boot for boot, _ in numbers}) == 1
    assert values(ring) == ["r0", "r1", "r2", "r3", "r4"]
    ring.cover(numbers[0][0], 3)
    assert values(ring) == ["r3", "r4"]
    assert ring.waiting == 2
    ring.cover("another boot", 99)
    assert ring.waiting == 2


def test_reading_goes_on_while_more_is_written(tmp_path: Path) -> None:
    ring = opened(tmp_path)
    assert ring.next() is None
    boot, _ = ring.append(["a"])
    assert ring.next() == Kept(boot, 1, SESSION, ("a",))
    assert ring.next() is None
    ring.append(["b"])
    ring.append(["c"])
    assert [entry.content for entry in iter(ring.next, None)] == [("b",), ("c",)]


def test_after_a_restart_all_that_was_not_confirmed_is_there_under_its_old_name(tmp_path: Path) -> None:
    ring = opened(tmp_path)
    boot, _ = ring.append(["a"])
    ring.append(["b"])
    ring.close()
    again = opened(tmp_path)
    other, seq = again.append(["c"])
    assert other != boot, "numbers of another start must not be taken for these"
    assert seq == 1
    assert [(each.boot, each.seq, each.content) for each in waiting(again)] == [
        (boot, 1, ("a",)),
        (boot, 2, ("b",)),
        (other, 1, ("c",)),
    ]
    again.cover(boot, 2)
    assert values(again) == ["c"]
    assert len(files(tmp_path)) == 1, "a file all of whose records are confirmed goes"


def test_a_start_without_a_reading_leaves_no_file_behind(tmp_path: Path) -> None:
    for _ in range(5):
        opened(tmp_path).close()
    assert len(files(tmp_path)) == 1


def test_boots_are_no_numbers_and_never_the_same() -> None:
    boots = {new_boot() for _ in range(1000)}
    assert len(boots) == 1000
    assert not any(boot.isdecimal() for boot in boots)


def test_a_full_ring_drops_the_oldest_file_and_counts_and_leaves_no_hole_in_the_numbers(tmp_path: Path) -> None:
    most = 8 * 4096 * 2
    ring = opened(tmp_path, most)
    for n in range(3000):
        ring.append([n, "x" * 80])
        assert ring.size <= most
    kept = values(ring)
    assert ring.dropped > 0
    assert kept == list(range(ring.dropped, 3000)), "the oldest went, the newest all stayed"
    assert sum(path.stat().st_size for path in files(tmp_path)) <= most
    by_boot: dict[str, list[int]] = {}
    for entry in waiting(ring):
        by_boot.setdefault(entry.boot, []).append(entry.seq)
    for numbers in by_boot.values():
        assert numbers == list(range(1, len(numbers) + 1)), "the service would wait for a number that never comes"


def test_what_is_confirmed_makes_room_before_anything_is_dropped(tmp_path: Path) -> None:
    ring = opened(tmp_path, 8 * 4096 * 2)
    for n in range(3000):
        boot, seq = ring.append([n, "x" * 80])
        ring.cover(boot, seq)
    assert (ring.dropped, ring.waiting) == (0, 0)
    assert len(files(tmp_path)) == 1


def test_one_boot_goes_on_where_all_is_confirmed(tmp_path: Path) -> None:
    """Else a service would have to remember a boot for every 256 kB."""
    ring = opened(tmp_path, 16 << 20)
    boots, n = set(), 0
    while ring.size <= TIDY and n < 10_000:
        boot, seq = ring.append([n, "x" * 80])
        boots.add(boot)
        n += 1
    ring.cover(boot, seq)
    assert ring.size == 0
    more, following = ring.append(["on"])
    assert boots == {more}
    assert following == n + 1


def test_a_confirmation_in_the_midst_of_reading(tmp_path: Path) -> None:
    ring = opened(tmp_path)
    boot, _ = ring.append([0])
    for n in range(1, 10):
        ring.append([n])
    assert [entry.content[0] for entry in islice(iter(ring.next, None), 3)] == [0, 1, 2]
    ring.cover(boot, 6)
    assert [entry.content[0] for entry in iter(ring.next, None)] == [6, 7, 8, 9]


def test_a_folder_belongs_to_one_program(tmp_path: Path) -> None:
    ring = opened(tmp_path)
    with pytest.raises(SetupError, match="another drymon-sensors uses it"):
        opened(tmp_path)
    ring.close()
    opened(tmp_path).close()


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(SetupError, match="allowed is a folder that this user may write to"):
        opened(tmp_path / "file" / "ring")
