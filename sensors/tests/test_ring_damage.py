"""Every way in which a ring's file can be torn, a disk that refuses, and any order of events."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from rings import files, opened, values, waiting

from drymon_sensors.buffer import ring as ring_module
from drymon_sensors.buffer.ring import FILES, Kept, Lost
from drymon_sensors.errors import KeepError

# ---- torn and rotten files -------------------------------------------------------------------------------------------


@pytest.fixture
def written(tmp_path: Path) -> tuple[Path, bytes, list[int]]:
    """A file with five records: its name, its bytes, and where each record ends."""
    ring = opened(tmp_path)
    for n in range(5):
        ring.append([f"rack-a/temperature-{n}", 20.0 + n, 1_930_200_000.0 + n, 1000.0 + n])
    ring.close()
    (file,) = files(tmp_path)
    data = file.read_bytes()
    ends = [place + 1 for place, byte in enumerate(data) if byte == 0x0A]
    return file, data, ends


def recovered(file: Path, data: bytes) -> list[Kept | Lost]:
    """What a start finds where the file holds these bytes."""
    file.write_bytes(data)
    ring = opened(file.parent)
    found = waiting(ring)
    ring.close()
    for other in files(file.parent):
        if other != file:
            other.unlink()
    return found


TAILS: Sequence[bytes] = (b"", b"\0" * 700, b"\xff" * 64, b"d5 [garbage", b"\n\n\n", bytes(range(256)))


@pytest.mark.parametrize("tail", TAILS, ids=["cut", "zeros", "ones", "text", "newlines", "bytes"])
def test_torn_at_every_byte_all_records_before_it_are_there(
    written: tuple[Path, bytes, list[int]], tail: bytes
) -> None:
    """The power goes while the last records are written: the file ends anywhere, or in what the card made of it."""
    file, data, ends = written
    for place in range(1, len(data) + 1):
        torn = data[:place] + tail
        whole = sum(torn.startswith(data[:end]) for end in ends)
        found = recovered(file, torn)
        assert [entry.seq for entry in found] == list(range(1, whole + 1)), f"torn at byte {place}"
        assert all(isinstance(entry, Kept) for entry in found)


def test_one_rotten_byte_anywhere_costs_one_record_and_leaves_no_hole(written: tuple[Path, bytes, list[int]]) -> None:
    file, data, _ = written
    for place in range(len(data)):
        rotten = bytearray(data)
        rotten[place] ^= 0x55
        found = recovered(file, bytes(rotten))
        lost = [entry.seq for entry in found if isinstance(entry, Lost)]
        sound = [entry.seq for entry in found if isinstance(entry, Kept)]
        assert sound == [seq for seq in range(1, 6) if seq not in lost][: len(sound)]
        assert len(sound) >= 3, f"byte {place}: a broken newline costs two records, else one"
        assert [entry.seq for entry in found] == list(range(1, len(found) + 1)), "nobody waits for a number in vain"
        assert all(
            entry.content[0] == f"rack-a/temperature-{entry.seq - 1}" for entry in found if isinstance(entry, Kept)
        )


def test_damage_is_counted(written: tuple[Path, bytes, list[int]]) -> None:
    file, data, ends = written
    file.write_bytes(data[: ends[1]] + b"rubbish\n" + data[ends[3] :])
    ring = opened(file.parent)
    assert ring.damaged == 1
    assert [(type(entry).__name__, entry.seq) for entry in waiting(ring)] == [
        ("Kept", 1),
        ("Kept", 2),
        ("Lost", 3),
        ("Lost", 4),
        ("Kept", 5),
    ]


def test_files_that_are_not_the_rings_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "notes.log").write_text("mine")
    opened(tmp_path).close()
    assert (tmp_path / "notes.log").read_text() == "mine"


# ---- a disk that refuses ---------------------------------------------------------------------------------------------


class FullDisk:
    """os.write that takes only so many bytes of the next call, then as many as it likes."""

    def __init__(self, takes: int, then: int | None = None) -> None:
        self._takes: int | None = takes
        self._error = then

    def __call__(self, handle: int, data: bytes) -> int:
        if self._takes is None:
            return real_write(handle, data)
        takes, self._takes = self._takes, None
        if takes == 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real_write(handle, data[:takes])


real_write = os.write


@pytest.mark.parametrize("truncates", [True, False])
def test_a_disk_that_is_full_at_any_byte_keeps_what_was_kept_and_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, truncates: bool
) -> None:
    for takes in range(0, 60, 7):
        folder = tmp_path / f"{takes}"
        ring = opened(folder)
        ring.append(["before"])
        monkeypatch.setattr(ring_module.os, "write", FullDisk(takes))
        if not truncates:
            monkeypatch.setattr(ring_module.os, "ftruncate", _refuse)
        with pytest.raises(KeepError, match="make room on the disk"):
            ring.append(["while it is full", "x" * 60])
        monkeypatch.undo()
        ring.append(["after"])
        assert values(ring) == ["before", "after"]
        assert [entry.seq for entry in waiting(ring)] == [1, 2]
        ring.close()
        again = opened(folder)
        assert values(again) == ["before", "after"]
        again.close()


def _refuse(*_: object) -> None:
    raise OSError(errno.EIO, os.strerror(errno.EIO))


def test_a_card_that_does_not_sync_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ring = opened(tmp_path)
    ring.append(["a"])
    monkeypatch.setattr(ring_module.os, "fdatasync", _refuse)
    with pytest.raises(KeepError, match="is the card well"):
        ring.sync()
    monkeypatch.undo()
    ring.sync()


def test_a_new_file_that_cannot_be_begun_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ring = opened(tmp_path, 8 * 4096 * 2)
    n = 0
    while ring.size < 2 * 4096:
        ring.append([n, "x" * 80])
        n += 1
    real_open = os.open

    def no_new_file(path: str, flags: int, *more: int) -> int:
        if flags & os.O_CREAT:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real_open(path, flags, *more)

    monkeypatch.setattr(ring_module.os, "open", no_new_file)
    refused = 0
    for _ in range(200):
        try:
            ring.append([n, "x" * 80])
            n += 1
        except KeepError:
            refused += 1
    monkeypatch.undo()
    assert refused > 0
    ring.append([n, "at last"])
    assert values(ring) == list(range(n + 1))


# ---- any order of events ---------------------------------------------------------------------------------------------


class RingMachine(RuleBasedStateMachine):
    """Against a list: whatever happens, what is neither confirmed nor dropped comes out, once and in order."""

    @initialize()
    def begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp())
        self.ring = opened(self.folder, FILES * 4096)
        self.model: list[tuple[str, int, int]] = []
        self.count = 0

    @rule(length=st.integers(0, 900))
    def append(self, length: int) -> None:
        dropped = self.ring.dropped
        boot, seq = self.ring.append([self.count, "x" * length])
        del self.model[: self.ring.dropped - dropped]
        self.model.append((boot, seq, self.count))
        self.count += 1

    @rule(share=st.floats(0.0, 1.0))
    def cover(self, share: float) -> None:
        if self.model:
            boot, seq, _ = self.model[int(share * (len(self.model) - 1))]
            self.ring.cover(boot, seq)
            self.model = [each for each in self.model if not (each[0] == boot and each[1] <= seq)]

    @rule()
    def die_and_start_again(self) -> None:
        dead, self.folder = self.folder, self.folder.with_name(self.folder.name + "-")
        shutil.copytree(dead, self.folder)  # as the disk is at this moment: nothing is closed or synced before
        self.ring.close()
        shutil.rmtree(dead)
        covered = {each[2] for each in self.model}
        self.ring = opened(self.folder, FILES * 4096)
        # What was confirmed but shares its file with what was not comes once more: the service knows it.
        found = [entry for entry in waiting(self.ring) if isinstance(entry, Kept)]
        assert covered <= {entry.content[0] for entry in found}
        self.model = [(entry.boot, entry.seq, entry.content[0]) for entry in found]

    @rule(much=st.integers(0, 5))
    def read_some(self, much: int) -> None:
        for _ in range(much):
            self.ring.next()

    @invariant()
    def all_that_waits_comes_out(self) -> None:
        if hasattr(self, "ring"):
            assert [(e.boot, e.seq, e.content[0]) for e in waiting(self.ring)] == self.model
            assert self.ring.waiting == len(self.model)
            assert self.ring.size <= FILES * 4096

    def teardown(self) -> None:
        if hasattr(self, "folder"):
            self.ring.close()
            shutil.rmtree(self.folder)


TestAnyOrder = RingMachine.TestCase
TestAnyOrder.settings = settings(max_examples=40, stateful_step_count=40, deadline=None)
