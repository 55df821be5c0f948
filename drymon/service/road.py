"""The pipeline as the service runs it: a disk that refuses is waited for, a fault of ours stops nothing."""

import logging
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from threading import Event

from drymon.drying.coat_model import CoatModel
from drymon.errors import StoreError
from drymon.messages.message import Message
from drymon.messages.payload import numbering_of
from drymon.messages.settings import HomeConfig
from drymon.service.pipeline import Pipeline, Tell
from drymon.service.suspects import TRIES, Suspects
from drymon.shop.alarms.alarm_book import Condition, Key, Truth
from drymon.store.engine import EngineError
from drymon.store.store import Store

log = logging.getLogger(__name__)

TRY_AGAIN_S = 5.0
IMAGE_EVERY_S = 1800.0
"""Of stream time between two images of the room: what came since the last one is folded again at a start."""

SET_ASIDE = (
    f"the service ended {TRIES} times while it worked on this message, so it is not tried again: please report it, "
    "with the topic and what the sensor or script says there"
)


class Road:
    """Holds the pipeline of a running service and makes a new one, from the record, whenever one has failed
    half-way."""

    def __init__(
        self,
        config: HomeConfig,
        models: Mapping[str, CoatModel],
        store: Store,
        stop: Event,
        tell: Tell | None = None,
    ) -> None:
        self._config, self._models, self._store, self._stop, self._tell = config, models, store, stop, tell
        self._suspects = Suspects(config.path)
        self._set_aside: dict[Key, Condition] = {}
        self.pipeline = self._from_record()

    def close(self) -> None:
        """Let go of the note on what is worked on."""
        self._suspects.close()

    def take_conditions(self) -> list[Condition]:
        """What is to be reported of the messages since the last call."""
        taken, self._set_aside = list(self._set_aside.values()), {}
        return taken

    def keep_image(self, anyway: bool = False) -> None:
        """Every half hour, and at a service's end (`anyway`): what the next start goes on from."""
        if anyway or self.pipeline.room.at - self.pipeline.image_at >= IMAGE_EVERY_S:
            self.pipeline.keep_image()

    def batch(self, messages: Sequence[Message], until: datetime | None, anew: bool = False) -> list[Message] | None:
        """As `Pipeline.batch`; None only where the service was stopped while the disk refused: acknowledge nothing.
        Raises EngineError where the database's server is gone: whether the last of it was kept, nobody here knows.

        After a fault of ours each message has a transaction of its own, and one that the room stumbles over is
        recorded all the same.
        """
        said: list[Message] = []
        todo, singly = list(messages), False
        while not self._stop.is_set():
            some = todo[: 1 if singly else self._together(todo)]
            try:
                last = len(some) == len(todo)
                said += self.pipeline.batch(self._watched(some), until if last else None, anew and last)
                self._suspects.done()
                todo = todo[len(some) :]
            except StoreError as error:
                self._wait(error)
                continue
            except Exception:  # no single message may stop the service; it is kept and told of
                self._suspects.pause()
                log.exception("a fault in drymon itself; the messages are kept, please report it")
                self._renew()
                if singly and self._kept(todo[0]):
                    del todo[0]
                singly = True
            if not todo:
                return said
        return None

    def _together(self, messages: Sequence[Message]) -> int:
        """How many of them share a transaction: a suspect is alone, so that it cannot take others along."""
        suspects = (number for number, message in enumerate(messages) if self._suspects.suspected(message))
        return max(1, next(suspects, len(messages)))

    def _watched(self, messages: Iterable[Message]) -> Iterator[Message]:
        """The messages, each noted before it is worked on, without those that the service has died over."""
        for message in messages:
            if self._suspects.condemned(message):
                self._put_aside(message)
            else:
                self._suspects.begin(message)
                yield message
        self._suspects.pause()

    def _put_aside(self, message: Message) -> None:
        log.error("set aside: %s, %d bytes: %s", message.topic, len(message.payload), SET_ASIDE)
        self._store.refuse(message, SET_ASIDE, numbering_of(message.payload))
        beginning = message.payload[:40].decode("utf-8", "replace")
        what = f"On {message.topic} it says {beginning!r} ({len(message.payload)} bytes): {SET_ASIDE}."
        key = Key("message-set-aside", "messages", f"{message.arrived:%Y%m%dT%H%M%S%f}")
        self._set_aside[key] = Condition(key, Truth.HOLDS, what)

    def _wait(self, error: StoreError) -> None:
        self._suspects.pause()
        if isinstance(error, EngineError) and error.gone:
            raise error
        log.error("%s; trying again", error)
        self._stop.wait(TRY_AGAIN_S)
        self._renew()

    def _kept(self, message: Message) -> bool:
        try:
            self._keep(message)
        except StoreError as error:
            self._wait(error)
            return False
        return True

    def _keep(self, message: Message) -> None:
        try:
            self.pipeline.keep(message)
        except StoreError:
            raise
        except Exception as error:
            self._store.record(message, (), (f"could not be read: {error!r}",))

    def _renew(self) -> None:
        try:
            self.pipeline = self._from_record()
        except StoreError as error:
            log.error("%s; trying again", error)

    def _from_record(self) -> Pipeline:
        pipeline = Pipeline(self._config, self._models, self._store, self._tell)
        try:
            pipeline.resume()
        except StoreError:
            raise
        except Exception:  # a record that cannot be read may not keep the next dips from being judged
            log.exception("the record cannot be taken up again; the trees are unknown until their next dip")
            return Pipeline(self._config, self._models, self._store, self._tell)
        return pipeline
