"""The log events' payloads as pydantic models. A misspelt key is refused, for it would change a fact; but that a tree
was dipped is a fact whatever else is said of it.
"""

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from drymon.messages.fields import Name, between
from drymon.messages.tables import Table


def _plain(text: str) -> str:
    """Control characters have no place in what a terminal or a page will show."""
    return "".join(letter if letter.isprintable() else " " for letter in text).strip()


def _number_as_text(value: Any) -> Any:
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _cut(length: int) -> AfterValidator:
    """A long remark is cut: losing the fact for it would be worse."""
    return AfterValidator(lambda text: _plain(text)[:length])


Id = Annotated[str, BeforeValidator(_number_as_text), Field(max_length=200), AfterValidator(_plain)]
By = Annotated[str, _cut(200)]
Note = Annotated[str, _cut(1000)]
Number = Annotated[int, between(1, 99)]


class EventTable(Table):
    """What every event may say."""

    time: str | None = None
    id: Id | None = None
    by: By | None = None


class TreeTable(EventTable):
    tree: Name


class DipTable(TreeTable):
    rack: Name
    coat: Name
    number: Number | None = None
    shelter: Literal["open", "pocketed", "deep"] | None = None
    cell: Name | None = None
    probe: Name | None = None
    recipe: Name | None = None
    label: Annotated[str, _cut(200)] | None = None


class WeighTable(TreeTable):
    mass: float
    unit: str | None = None


class FeltTable(TreeTable):
    finding: Literal["wet", "dry"]
    where: Literal["face", "pocket"] = "face"


class LookTable(TreeTable):
    finding: Literal["sound", "repaired", "scrap"]
    note: Note | None = None


class MoveTable(TreeTable):
    rack: Name
    cell: Name | None = None


class UndoTable(TreeTable):
    entry: Id | None = None


class FanTable(EventTable):
    rack: Name
    on: bool


class ClockTable(EventTable):
    known: bool
    note: Note | None = None
