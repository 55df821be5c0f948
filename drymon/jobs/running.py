"""Jobs of many rooms, driven to their end: each room asks for some, gets their results, and asks for more."""

from collections import deque
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from drymon.errors import DrymonError
from drymon.jobs.results import Results


@dataclass(frozen=True, slots=True)
class Job:
    """A call that may be made on any machine. words: what it is, for people; key: of its inputs; its result depends on
    nothing else.
    """

    words: str
    key: str
    call: Callable[..., Any]
    inputs: tuple[Any, ...]


Work = Generator[Sequence[Job], list[Any], Any]
"""What a room has to be done: yields jobs that do not wait for each other, gets their results in that order, returns
what came of it.
"""


@dataclass(frozen=True, slots=True)
class Progress:
    """One job more is at its end. kept: it was done before; error: why it could not be, or ""."""

    room: str
    words: str
    kept: bool
    error: str = ""


class Crew(Protocol):
    """Who does the work."""

    def submit(self, number: int, call: Callable[..., Any], inputs: tuple[Any, ...]) -> None:
        """Take a call on."""

    def done(self) -> Iterator[tuple[int, Any]]:
        """Numbers of calls with their results, or the exception that they ended with, as they come, until none is
        left. More may be submitted meanwhile.
        """


class OneByOne:
    """One call after another, in this process."""

    def __init__(self) -> None:
        self._waiting: deque[tuple[int, Callable[..., Any], tuple[Any, ...]]] = deque()

    def submit(self, number: int, call: Callable[..., Any], inputs: tuple[Any, ...]) -> None:
        """Take a call on."""
        self._waiting.append((number, call, inputs))

    def done(self) -> Iterator[tuple[int, Any]]:
        """Make the next call."""
        while self._waiting:
            number, call, inputs = self._waiting.popleft()
            try:
                yield number, call(*inputs)
            except Exception as error:
                yield number, error


@dataclass(slots=True)
class _Room:
    name: str
    work: Work
    results: Results
    got: list[Any] = field(default_factory=list)
    missing: int = 0
    used: list[str] = field(default_factory=list)


class Running:
    """The rooms' work under way. tell: is told of each job that is at its end."""

    def __init__(self, crew: Crew, tell: Callable[[Progress], None]) -> None:
        self._crew, self._tell = crew, tell
        self._jobs: dict[int, tuple[_Room, int, Job]] = {}
        self._number = 0
        self._ended: deque[tuple[str, Any]] = deque()

    def run(self, rooms: Mapping[str, tuple[Work, Results]]) -> Iterator[tuple[str, Any]]:
        """Drive each room's work to its end; its name and what came of it, or the DrymonError or other exception that
        ended it, as they come. A room's fault is its own.
        """
        for name, (work, results) in rooms.items():
            self._go_on(_Room(name, work, results))
            yield from self._take_ended()
        for number, result in self._crew.done():
            room, place, job = self._jobs.pop(number)
            self._take(room, place, job, result)
            yield from self._take_ended()

    def _take_ended(self) -> Iterator[tuple[str, Any]]:
        while self._ended:
            yield self._ended.popleft()

    def _take(self, room: _Room, place: int, job: Job, result: Any) -> None:
        failed = isinstance(result, Exception)
        self._tell(Progress(room.name, job.words, False, str(result) or type(result).__name__ if failed else ""))
        if not failed:
            room.results.put(job.key, result)
        room.got[place] = result
        room.missing -= 1
        if not room.missing:
            self._go_on(room)

    def _go_on(self, room: _Room) -> None:
        """Hand the room its results; submit what it asks for next, as far as it was not done before."""
        while not room.missing:
            try:
                error = next((one for one in room.got if isinstance(one, Exception)), None)
                jobs = next(room.work) if not room.used else _answered(room.work, room.got, error)
            except StopIteration as end:
                room.results.keep_only(room.used)
                self._ended.append((room.name, end.value))
                return
            except Exception as failure:  # whatever it is, the other rooms go on
                self._ended.append((room.name, failure))
                return
            room.used += [job.key for job in jobs]
            room.got = [None] * len(jobs)
            for place, job in enumerate(jobs):
                self._begin(room, place, job)

    def _begin(self, room: _Room, place: int, job: Job) -> None:
        if kept := room.results.get(job.key):
            room.got[place] = kept[0]
            self._tell(Progress(room.name, job.words, True))
            return
        room.missing += 1
        self._jobs[self._number] = room, place, job
        self._crew.submit(self._number, job.call, job.inputs)
        self._number += 1


def _answered(work: Work, got: list[Any], error: Exception | None) -> Sequence[Job]:
    return work.send(got) if error is None else work.throw(error)


def ending_of(result: Any) -> str:
    """Why a room's work came to no end, in words; "" where it did."""
    if isinstance(result, DrymonError):
        return str(result)
    return f"a fault in drymon itself, please report it: {result!r}" if isinstance(result, Exception) else ""
