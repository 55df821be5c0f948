"""Names as they stand in topics: rooms, racks, trees, coats, cells, sensors."""

import re

NAME_PATTERN = r"^[a-z0-9-]{1,40}$"
NAME_RULE = "1 to 40 of the characters a-z, 0-9 and -"
ROOM_PLACE = "room"
"""The place of readings that hold for the whole room."""

RESERVED_RACKS = (ROOM_PLACE, "log", "out")
"""Topic levels with a meaning of their own."""

_NAME = re.compile(NAME_PATTERN.removesuffix("$") + r"\Z")


def is_name(text: object) -> bool:
    """True for text that may stand as a name in a topic."""
    return isinstance(text, str) and _NAME.match(text) is not None
