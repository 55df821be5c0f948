"""`copy.replace` of Python 3.13: a copy of a dataclass or a named tuple with other values in some fields."""

import dataclasses
from typing import Any


def replace(one: Any, /, **changes: Any) -> Any:
    """The copy."""
    change = getattr(one, "_replace", None)
    return change(**changes) if change else dataclasses.replace(one, **changes)
