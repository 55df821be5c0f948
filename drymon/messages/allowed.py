"""What a key of room.toml may hold, in the words in which the parser refuses what it may not."""

from functools import cache

from pydantic import BaseModel, ValidationError
from pydantic_core import PydanticUndefined

from drymon.messages.complaints import complaints

_PROBES: tuple[object, ...] = (-(10**12), [-(10**12)] * 2, "\0 /")
"""Values that no key takes: one of each kind, so that the finding is about the value and not about its kind."""
_ABOUT_THE_KIND = frozenset(
    {"missing", "extra_forbidden", "float_type", "int_type", "string_type", "list_type", "model_type", "literal_error"}
)
_BEFORE = "allowed is "


@cache
def allowed_words(table: type[BaseModel], key: str) -> str:
    """`0 to 100`, `above 0, at most 8760`; "" for text that may be anything. Of a pair: what each of the two may be."""
    for probe in _PROBES:
        try:
            table.model_validate({key: probe})
        except ValidationError as error:
            found = error.errors(include_url=False)
            about = [one["loc"][:1] == (key,) and one["type"] not in _ABOUT_THE_KIND for one in found]
            if True in about:
                said = complaints(error, table, {key: probe})[about.index(True)]
                return said.partition(_BEFORE)[2]
    return ""


def default_of(table: type[BaseModel], key: str) -> object:
    """What holds where the key is not given; None where nothing does, or where it is no plain value."""
    for name, field in table.model_fields.items():
        if key == (field.alias or name):
            return None if field.default is PydanticUndefined else field.default
    raise KeyError(key)
