"""Workers on this machine or on several: the only module that knows the library that they come by."""

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from tempfile import TemporaryDirectory
from typing import Any

from drymon.errors import JobsError
from drymon.jobs.keys import code

PATIENCE_S = 20
_MISSING = (
    "jobs beside each other need the library distributed, which is not installed ({}): pip install 'drymon[jobs]', or "
    "ask for --one-by-one"
)


@dataclass(slots=True)
class _Sent:
    """What was sent to the workers; calls: that need it still."""

    value: Any
    there: Any = None
    calls: int = 0


class Workers:
    """Processes that take calls on. What several calls have in common is sent to them once."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._under_way: dict[Any, tuple[int, list[int]]] = {}
        self._done = _library().as_completed()
        self._sent: dict[int, _Sent] = {}

    @property
    def address(self) -> str:
        """Of their scheduler."""
        return str(self._client.scheduler.address)

    def submit(self, number: int, call: Callable[..., Any], inputs: tuple[Any, ...]) -> None:
        """Take a call on."""
        there = [self._send(value) for value in inputs]
        future = self._client.submit(call, *there, pure=False, key=f"{call.__name__}-{number}")
        self._under_way[future] = number, [id(value) for value in inputs]
        self._done.add(future)

    def done(self) -> Iterator[tuple[int, Any]]:
        """As they come."""
        for future in self._done:
            number, inputs = self._under_way.pop(future)
            error = future.exception()
            yield number, future.result() if error is None else _told(error)
            future.release()
            for place in inputs:
                self._sent[place].calls -= 1
                if not self._sent[place].calls:
                    del self._sent[place]

    def _send(self, value: Any) -> Any:
        """Where it lies on a worker, as long as a call needs it."""
        sent = self._sent.setdefault(id(value), _Sent(value))
        sent.calls += 1
        if sent.there is None:
            (sent.there,) = self._client.scatter([value], hash=False)
        return sent.there


@contextmanager
def workers(count: int | None = None, scheduler: str | None = None) -> Iterator[Workers]:
    """Workers to be used. count: processes on this machine, by default one a core; scheduler: the address of one whose
    workers are used instead, such as `tcp://10.0.0.5:8786`.

    Raises JobsError where the library is not installed, nobody answers at that address, or its workers are not of this
    very drymon.
    """
    distributed = _library()
    if scheduler is not None:
        with _client_of(distributed, scheduler) as client:
            _check_alike(client, scheduler)
            yield Workers(client)
        return
    with (
        TemporaryDirectory(prefix="drymon-jobs-") as folder,
        distributed.LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            memory_limit=0,  # a fit that is large may be so
            silence_logs=logging.ERROR,
            local_directory=folder,
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        yield Workers(client)


def _library() -> Any:
    """Without types: not everybody has it."""
    try:
        return import_module("distributed")
    except ImportError as error:
        raise JobsError(_MISSING.format(error)) from error


def _client_of(distributed: Any, scheduler: str) -> Any:
    try:
        return distributed.Client(scheduler, timeout=PATIENCE_S)
    except (OSError, ValueError) as error:
        raise JobsError(
            f"--scheduler: received {scheduler!r}; nobody answers there ({error}). Start one with `dask scheduler` and "
            "workers with `dask worker ADDRESS --nthreads 1`, and give the address that it prints"
        ) from error


def _check_alike(client: Any, scheduler: str) -> None:
    """Another version would have other results."""
    try:
        found = client.run(code)
    except ImportError as error:
        raise JobsError(f"a worker of {scheduler} has no drymon ({error}): install the same one there") from error
    if not found:
        raise JobsError(f"{scheduler} has no worker: start some with `dask worker {scheduler} --nthreads 1`")
    other = sorted(worker for worker, theirs in found.items() if theirs != code())
    if other:
        raise JobsError(
            f"these workers have another drymon, Python, numpy or scipy than this machine, and would have other "
            f"results: {', '.join(other)}. Install the same ones there, and start them anew"
        )


def _told(error: BaseException) -> Exception:
    """An exception of the work itself as it is, one of the library with what to do about it."""
    if isinstance(error, _library().KilledWorker):
        return JobsError(f"a worker died again and again over this job, as where memory runs out: {error}")
    return error if isinstance(error, Exception) else JobsError(repr(error))
