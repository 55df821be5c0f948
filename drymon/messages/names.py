"""Names as they stand in topics: rooms, racks, trees, coats, cells, sensors."""

import re
import unicodedata

NAME_PATTERN = r"^[a-z0-9-]{1,40}$"
NAME_RULE = "1 to 40 of the characters a-z, 0-9 and -"
ROOM_PLACE = "room"
"""The place of readings that hold for the whole room."""

RESERVED_RACKS = (ROOM_PLACE, "log", "out")
"""Topic levels with a meaning of their own."""

_NAME = re.compile(NAME_PATTERN.removesuffix("$") + r"\Z")


WRITTEN_RULE = "letters, digits, spaces and - _ . / that make a name of 1 to 40 characters, such as Otter 3"
_SPELT_OUT = str.maketrans(
    dict(zip("äöüæøåœłđðþ", ["ae", "oe", "ue", "ae", "oe", "aa", "oe", "l", "d", "d", "th"], strict=True))
)


def name_of(written: str) -> str:
    """The name that stands in topics for what a person writes: `Großer Otter 3` is `grosser-otter-3`. ValueError where
    there is none: what must be left out could be what tells two trees apart.
    """
    if is_name(written):
        return written
    small = unicodedata.normalize("NFC", written).casefold().translate(_SPELT_OUT)
    plain = "".join(letter for letter in unicodedata.normalize("NFD", small) if not unicodedata.combining(letter))
    name = re.sub(r"[-\s_./]+", "-", plain).strip("-")
    if not is_name(name):
        raise ValueError(f"received {written[:60]!r}; allowed are {WRITTEN_RULE}")
    return name


def name_or(written: str) -> str:
    """The name for what a person writes, or what was written where it makes none: nothing goes by that."""
    try:
        return name_of(written)
    except ValueError:
        return written


def label_of(written: str) -> str:
    """What people call it, where that is not its name already; runs of white space are one space."""
    return "" if is_name(written) else " ".join(written.split())


def is_name(text: object) -> bool:
    """True for text that may stand as a name in a topic."""
    return isinstance(text, str) and _NAME.match(text) is not None


def natural(name: str) -> tuple[tuple[int, str], ...]:
    """Sort key of names, by which t-9 comes before t-10."""
    parts = re.split(r"(\d+)", name)
    return tuple((int(part), "") if part.isdigit() else (-1, part) for part in parts)
