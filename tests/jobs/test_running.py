"""What drives jobs: each is done once, a room's fault is its own, and who was stopped goes on where it was."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from drymon.errors import LearningError
from drymon.jobs.keys import key_of
from drymon.jobs.results import FOLDER, Results
from drymon.jobs.running import Job, OneByOne, Progress, Running, Work, ending_of


class Counted:
    """Work whose calls are counted."""

    def __init__(self) -> None:
        self.calls: list[int] = []

    def double(self, number: int) -> int:
        self.calls.append(number)
        return 2 * number

    def job(self, number: int) -> Job:
        return Job(f"double {number}", key_of("double", number), self.double, (number,))

    def work(self, *numbers: int) -> Work:
        first = yield [self.job(number) for number in numbers]
        (whole,) = yield [self.job(sum(first))]
        return first, whole


def run(work: Work, home: Path, tell: Callable[[Progress], None] = lambda _: None) -> object:
    ((name, ending),) = Running(OneByOne(), tell).run({home.name: (work, Results(home, "kind"))})
    assert name == home.name
    return ending


def test_results_come_in_the_order_asked_and_are_not_worked_out_again(tmp_path: Path) -> None:
    counted, told = Counted(), list[Progress]()
    assert run(counted.work(3, 1), tmp_path) == ([6, 2], 16)
    assert run(counted.work(3, 1), tmp_path, told.append) == ([6, 2], 16)
    assert counted.calls == [3, 1, 8]
    assert [(one.words, one.kept) for one in told] == [("double 3", True), ("double 1", True), ("double 8", True)]
    assert run(counted.work(3, 2), tmp_path) == ([6, 4], 20)
    assert counted.calls == [3, 1, 8, 2, 10], "what has other inputs is done"
    assert run(counted.work(1), tmp_path) == ([2], 4)
    assert counted.calls[5:] == [1], "results that were of no use the last time are not kept for ever"


def test_who_was_stopped_goes_on_where_it_was(tmp_path: Path) -> None:
    counted = Counted()

    def stop(progress: Progress) -> None:
        if progress.words == "double 2":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(counted.work(1, 2, 3), tmp_path, stop)
    assert run(counted.work(1, 2, 3), tmp_path) == ([2, 4, 6], 24)
    assert counted.calls == [1, 2, 2, 3, 12]


@pytest.mark.parametrize("left", [b"", b"x" * 31, None])
def test_a_damaged_result_is_done_again(tmp_path: Path, left: bytes | None) -> None:
    counted = Counted()
    run(counted.work(1), tmp_path)
    for file in (tmp_path / FOLDER / "kind").iterdir():
        file.write_bytes(file.read_bytes()[:-1] if left is None else left)
    assert run(counted.work(1), tmp_path) == ([2], 4)
    assert counted.calls == [1, 2, 1, 2]


def test_a_rooms_fault_is_its_own(tmp_path: Path) -> None:
    def fail(what: Exception) -> int:
        raise what

    def faulty(what: Exception) -> Work:
        yield [Job("fail", key_of("fail", str(what)), fail, (what,))]

    def unfit() -> Work:
        raise LearningError("no run")
        yield []

    counted, told = Counted(), list[Progress]()
    works = {"a": faulty(LearningError("few")), "b": counted.work(1), "c": faulty(ValueError("odd")), "d": unfit()}
    rooms = {name: (work, Results(tmp_path / name, "kind")) for name, work in works.items()}
    for name in rooms:
        (tmp_path / name).mkdir()
    endings = dict(Running(OneByOne(), told.append).run(rooms))
    assert endings["b"] == ([2], 4)
    assert ending_of(endings["b"]) == ""
    assert (ending_of(endings["a"]), ending_of(endings["d"])) == ("few", "no run")
    assert "a fault in drymon itself" in ending_of(endings["c"])
    assert [one.error for one in told if one.error] == ["few", "odd"]
    assert not list((tmp_path / "a").rglob("*.result")), "a failure is tried again"


@dataclass(frozen=True)
class Point:
    x: float
    at: np.ndarray


def test_keys_are_equal_where_all_that_goes_in_is() -> None:
    def key(x: float = 1.0, last: float = 2.0, **more: object) -> str:
        return key_of("kind", Point(x, np.array([0.5, last])), {"a": 1, "b": (None, True, b"x"), **more})

    assert key() == key()
    assert key_of("kind", {"a": 1, "b": 2}) == key_of("kind", {"b": 2, "a": 1})
    others = [key(x=float(np.nextafter(1.0, 2.0))), key(last=float(np.nextafter(2.0, 3.0))), key(c=1), key(a=1.0)]
    others += [key_of("kind"), key_of("other"), key_of("kind", ["ab", "c"]), key_of("kind", ["a", "bc"])]
    assert len({key(), *others}) == 9
    with pytest.raises(TypeError, match="set cannot be a part of a job's key"):
        key_of("kind", {1})
