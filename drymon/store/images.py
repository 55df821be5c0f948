"""Images of the room's fold, so that a start need not fold all that is on record anew.

An image stands in the same file as the record that it was made of, and says up to which rows: a backup put back has the
images that belong to it. It is never needed: whatever is wrong with one, it is left aside and all is folded anew.
"""

import struct
import zlib
from collections.abc import Container, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from drymon.messages.message import Message
from drymon.shop.facts.events import LogEvent
from drymon.shop.facts.reading import Reading
from drymon.store.engine import Connection
from drymon.store.history import History
from drymon.store.image import PART, Image, digest

KEPT = 2
"""Images: the newest, and one from before in case that one cannot be read. They share most of their parts."""
MOST_BYTES = 256 << 20
"""A larger image is not kept."""


@dataclass(frozen=True, slots=True)
class Place:
    """The newest rows that an image knows of."""

    message: int
    reading: int
    event: int

    def has(self, other: "Place") -> bool:
        """Whether a record that ends here can have had that end before."""
        return self.message >= other.message and self.reading >= other.reading and self.event >= other.event


class Images(History):
    """The part of the store that keeps them."""

    def __init__(self, db: Connection) -> None:
        super().__init__(db)
        self._part_ids: dict[bytes, int] | None = None

    def kept_parts(self) -> Container[bytes]:
        """The digests of parts that need not be given again."""
        return self._known_parts().keys()

    def keep_image(self, version: str, image: Image) -> bool:
        """Keep an image of all that is on record now; only parts that no kept image has are written. False: too large.

        version: of whatever made it; another version does not see it.
        """
        if len(image.document) + len(image.heap) + PART * len(set(image.order)) > MOST_BYTES:
            return False
        with self.transaction():
            ids = self._known_parts()
            for name in image.parts.keys() - ids.keys():
                ids[name] = self._db.insert(
                    "INSERT INTO image_part (digest, body) VALUES (?, ?)", (name, image.parts[name])
                )
            parts = _packed([ids[name] for name in image.order])
            document, heap = (zlib.compress(raw, 1) for raw in (image.document.encode(), image.heap))
            place = self._place()
            checksum = _checksum(version, place, document, heap, parts)
            self._db.execute(
                "INSERT INTO image (version, message, reading, event, checksum, document, heap, parts) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (version, place.message, place.reading, place.event, checksum, document, heap, parts),
            )
            self._drop_old()
        return True

    def images(self, version: str) -> Iterator[tuple[Place, Image | None]]:
        """The images and how far each goes, the newest first; None for one that is damaged, or of another version."""
        there, first = self._place(), (self._row("SELECT coalesce(min(id), 0) FROM message") or (0,))[0]
        query = "SELECT version, message, reading, event, checksum, document, heap, parts FROM image ORDER BY id DESC"
        for made_by, *numbers, checksum, document, heap, parts in list(self._rows(query)):
            place = Place(*numbers)
            # Where messages since then have been cleared away, nobody can go on from it.
            sound = first <= place.message + 1 and checksum == _checksum(version, place, document, heap, parts)
            yield (
                place,
                self._image(document, heap, parts) if sound and made_by == version and there.has(place) else None,
            )

    def drop_images(self) -> None:
        """Throw all images away, and the parts that the next would share with them."""
        with self.transaction():
            self._db.execute("DELETE FROM image")
            self._db.execute("DELETE FROM image_part")
            self._part_ids = None

    def messages_after(self, place: Place) -> Iterator[Message]:
        """The messages that an image does not know of, in order of arrival."""
        return self._messages("message.id > ?", [place.message], "message.id")

    def facts_after(self, place: Place) -> Iterator[Reading | LogEvent]:
        """What those told that was new, in order of arrival."""
        return self._merged("reading.id > ?", [place.reading], "id > ?", [place.event])

    def _place(self) -> Place:
        newest = (self._row(f"SELECT coalesce(max(id), 0) FROM {table}") for table in ("message", "reading", "event"))
        return Place(*(int(row[0]) if row else 0 for row in newest))

    def _image(self, document: bytes, heap: bytes, parts: bytes) -> Image | None:
        """None where it is not what it was; its parts are read when they are asked for."""
        ids = self._known_parts()
        names = {part: name for name, part in ids.items()}
        with suppress(zlib.error, KeyError, UnicodeDecodeError, ValueError):
            order = tuple(names[each] for each in _unpacked(parts))
            return Image(zlib.decompress(document).decode(), zlib.decompress(heap), order, _Parts(self, ids))
        return None

    def part(self, number: int) -> bytes:
        """One part's bytes, as they are; LookupError where it is not there."""
        row = self._row("SELECT body FROM image_part WHERE id = ?", (number,))
        if row is None:
            raise LookupError(f"part {number} is not there")
        return bytes(row[0])

    def _known_parts(self) -> dict[bytes, int]:
        if self._part_ids is None:
            self._part_ids = {name: part for part, name in self._rows("SELECT id, digest FROM image_part")}
        return self._part_ids

    def _drop_old(self) -> None:
        """All but the newest, and the parts that nobody needs any more."""
        self._db.execute("DELETE FROM image WHERE id <= (SELECT max(id) FROM image) - ?", (KEPT,))
        ids = self._known_parts()
        kept = {part for row in self._rows("SELECT parts FROM image") for part in _unpacked(row[0])}
        gone = {name: part for name, part in ids.items() if part not in kept}
        self._db.execute_many("DELETE FROM image_part WHERE id = ?", [(part,) for part in gone.values()])
        for name in gone:
            del ids[name]

    def _forget(self) -> None:
        super()._forget()
        self._part_ids = None


class _Parts(Mapping[bytes, bytes]):
    """Parts by their digests, read one by one: all at once would be twice what they are read for."""

    def __init__(self, images: Images, ids: Mapping[bytes, int]) -> None:
        self._images, self._ids = images, ids

    def __getitem__(self, name: bytes) -> bytes:
        body = self._images.part(self._ids[name])
        if digest(body) != name:
            raise LookupError("a part is not what it was")
        return body

    def __iter__(self) -> Iterator[bytes]:
        return iter(self._ids)

    def __len__(self) -> int:
        return len(self._ids)


def _checksum(version: str, place: Place, *blobs: bytes) -> bytes:
    head = f"{version} {place.message} {place.reading} {place.event}".encode()
    return digest(b"".join([head, *(digest(blob) for blob in blobs)]))


def _packed(numbers: Sequence[int]) -> bytes:
    """Eight bytes each, the lowest first."""
    return struct.pack(f"<{len(numbers)}q", *numbers)


def _unpacked(packed: bytes) -> tuple[int, ...]:
    return struct.unpack(f"<{len(packed) // 8}q", packed)
