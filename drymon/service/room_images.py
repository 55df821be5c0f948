"""Between the room and the images of it in the store: which are of this very drymon, and what came after one."""

import logging
import platform
import sys
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import is_dataclass, replace
from functools import cache
from hashlib import blake2b
from pathlib import Path
from types import ModuleType
from typing import Any
from uuid import uuid4

import numpy as np

import drymon
from drymon.drying.coat_model import CoatModel
from drymon.errors import StoreError
from drymon.messages.settings import HomeConfig
from drymon.shop.facts.events import LogEvent
from drymon.shop.facts.reading import Reading
from drymon.shop.fold.room import Room
from drymon.store.image import Image
from drymon.store.images import Place
from drymon.store.plain import UnreadableImage, classes_of, freeze, thaw
from drymon.store.store import Store

log = logging.getLogger(__name__)

FOLDED_BY = (
    "drying/*.py",
    "shop/**/*.py",
    "messages/*.py",
    "store/*.py",
    "service/pipeline.py",
    "service/room_images.py",
)
"""The sources that have a say in what is folded, and how it is kept."""


class RoomImages:
    """Those of one home, as it is set up now. Not for several threads."""

    def __init__(self, config: HomeConfig, models: Mapping[str, CoatModel], store: Store) -> None:
        self._store = store
        self._made_of = f"{sources(FOLDED_BY)} {config.room!r} {config.sources!r} {_of_models(models)}"

    def keep(self, room: Room) -> bool:
        """Keep the room as it is now; all that the store has must have been taken in. False: it is too large."""
        return self._store.keep_image(self._version(), made(room, self._store.kept_parts()))

    def found(self) -> Iterator[tuple[Place, Callable[[Room], Room]]]:
        """How far each image goes, and what makes a new room what is in it; the newest first. Making it raises
        UnreadableImage where the image is damaged, or made by another drymon or for another set-up.
        """
        for place, image in self._store.images(self._version()):

            def restore(room: Room, image: Image | None = image) -> Room:
                if image is None:
                    raise UnreadableImage("it is damaged, or of another version, room.toml, model or calibration")
                room.remember(thaw(image, _known(room), _classes()))
                return room

            yield place, restore

    def drop(self) -> None:
        """Throw all away: what one of them has that is damaged, the next would share."""
        try:
            self._store.drop_images()
        except StoreError as error:
            log.error("%s; images of the room stay, though not all of them can be read", error)

    def _version(self) -> str:
        """Of all that a room makes of its facts: with another, it would have made something else of them."""
        calibrated = [(each.time, each.sensor, each.kind, each.document) for each in self._store.calibrations()]
        return blake2b(f"{self._made_of} {calibrated!r}".encode(), digest_size=16).hexdigest()


def made(room: Room, have: Container[bytes] = frozenset()) -> Image:
    """All that the room has folded; `have`: digests of parts that are there. UnreadableImage: it has something that no
    image can hold.
    """
    return freeze(room.memory(), _known(room), _classes(), have)


class Upcoming:
    """Facts on record, to be met again among all that the messages told: the others were there before."""

    def __init__(self, facts: Iterable[Reading | LogEvent]) -> None:
        self._facts = iter(facts)
        self._next = next(self._facts, None)

    def among(self, items: Sequence[Reading | LogEvent]) -> Iterator[Reading | LogEvent]:
        """Those of a message's items that were new, as they are on record."""
        for item in items:
            if self._next is not None and _same(item, self._next):
                yield self._next
                self._next = next(self._facts, None)

    def end(self) -> None:
        """UnreadableImage where facts are left that no message told."""
        if self._next is not None:
            raise UnreadableImage(f"no message on record told of {self._next}")


def _same(told: Reading | LogEvent, kept: Reading | LogEvent) -> bool:
    if isinstance(told, Reading) or isinstance(kept, Reading):
        return told == kept
    return replace(told, place=kept.place) == kept


def _modules() -> dict[str, ModuleType]:
    return {name: one for name, one in list(sys.modules.items()) if name.startswith(("drymon.shop.", "drymon.drying."))}


def _classes() -> dict[str, type]:
    return classes_of(_modules().values())


def _known(room: Room) -> dict[str, Any]:
    """What every room of this set-up has, and the constants of the code: an image only names them."""
    allowed = frozenset(_classes().values())
    constants = {
        f"{module} {name}": value
        for module, one in _modules().items()
        for name, value in vars(one).items()
        if type(value) in allowed and is_dataclass(value)
    }
    return constants | room.known()


@cache
def sources(parts: tuple[str, ...]) -> str:
    """A checksum over these parts of drymon's code, numpy, and the kind of machine. Where the code cannot be read it is
    like no other.
    """
    house = Path(drymon.__file__).parent
    found = blake2b(f"{np.__version__} {platform.machine()} {sys.version}".encode(), digest_size=16)
    for part in parts:
        files = sorted(house.glob(part))
        for file in files:
            found.update(str(file.relative_to(house)).encode() + b"\0" + file.read_bytes())
        if not files:
            found.update(uuid4().bytes)
    return found.hexdigest()


def _of_models(models: Mapping[str, CoatModel]) -> str:
    image = freeze(dict(models), {}, _classes())
    return blake2b(image.document.encode() + image.heap + b"".join(image.order), digest_size=16).hexdigest()
