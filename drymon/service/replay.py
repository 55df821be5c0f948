"""Recorded streams through the same road, in stream time, as fast as it goes."""

import gc
import sys
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path

from drymon.errors import StoreError
from drymon.messages.coat_models import load_models
from drymon.messages.message import Message
from drymon.messages.settings import HomeConfig
from drymon.messages.streams import StreamWriter, read_stream
from drymon.service.pipeline import Pipeline
from drymon.store.alone import only_writer
from drymon.store.store import Store

BATCH = 2000  # messages a transaction; fixed, for what is said of it must not depend on the machine


SELDOM = (50_000, 20, 20)
"""Garbage collection's thresholds: a replay makes millions of small objects and hardly a circle among them."""


def replay(config: HomeConfig, streams: Sequence[Path], out: Path | None = None) -> int:
    """Play the streams into the home; returns how many messages they had.

    Raises StreamError for a line that is no message, StoreError for a home that a service has used.
    """
    with only_writer(config.database) as store:
        _refuse_served(config, store)
        pipeline = Pipeline(config, load_models(config.path), store)
        pipeline.resume()
        if out is None:
            count = _play(pipeline, read_stream(streams), None)
        else:
            with StreamWriter(out) as writer:
                count = _play(pipeline, read_stream(streams), writer)
        pipeline.keep_image()  # the next stream goes on from here, as if both were one
        return count


def _refuse_served(config: HomeConfig, store: Store) -> None:
    """A replayed stream among a shop's own record could never be told apart again."""
    if store.was_served():
        raise StoreError(
            f"{config.path}: `drymon serve` has used this home, so a replay would mix its stream into the "
            "shop's own record; make another home and replay into that: drymon --home OTHER init"
        )


def _play(pipeline: Pipeline, messages: Iterator[Message], writer: StreamWriter | None) -> int:
    count = 0
    progress = sys.stderr.isatty()
    gc.set_threshold(*SELDOM)
    while batch := list(islice(messages, BATCH)):
        _write(writer, pipeline.batch(batch, batch[-1].arrived))
        count += len(batch)
        if progress:
            print(f"\r{batch[-1].arrived:%Y-%m-%d %H:%M}  {count} messages", end="", file=sys.stderr, flush=True)
    if progress:
        print(file=sys.stderr)
    return count


def _write(writer: StreamWriter | None, messages: Iterable[Message]) -> None:
    if writer is not None:
        for message in messages:
            writer.write(message)
