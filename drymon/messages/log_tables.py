"""The log events' payloads as pydantic models. A misspelt key is refused, for it would change a fact; but that a tree
was dipped is a fact whatever else is said of it.
"""

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from drymon.messages.fields import DENSITIES, LONGEST_CUP_S, CupName, Name, above_zero, between
from drymon.messages.tables import StrictTable


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


class EventTable(StrictTable):
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
    slurry: Name | None = None


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


class UndoTable(EventTable):
    tree: Name | None = None
    slurry: Name | None = None
    entry: Id | None = None

    @model_validator(mode="after")
    def _of_one(self) -> "UndoTable":
        if (self.tree is None) == (self.slurry is None):
            said = "neither tree nor slurry" if self.tree is None else "tree and slurry"
            raise ValueError(f"undo: received {said}; allowed is one of them, whose last entry is taken back")
        return self


class SlurryCheckTable(EventTable):
    slurry: Name
    coats: Annotated[list[Name], Field(max_length=99)] = Field(default_factory=list)
    cup: CupName | None = None
    seconds: Annotated[float, above_zero(LONGEST_CUP_S)] | None = None
    temperature: Annotated[float, between(-10, 60)] | None = None
    density: Annotated[float, between(*DENSITIES)] | None = None
    ph: Annotated[float, between(0, 14)] | None = None
    water_added: Annotated[float, between(0, 2000)] | None = None
    stirred: bool = False
    fresh: bool = False
    note: Note | None = None

    @model_validator(mode="after")
    def _says_something(self) -> "SlurryCheckTable":
        told = (self.seconds, self.temperature, self.density, self.ph, self.water_added, self.note or None)
        if all(one is None for one in told) and not (self.stirred or self.fresh):
            raise ValueError(
                "slurry: received nothing of the tank; allowed is at least one of seconds, temperature, density, ph, "
                "water_added, stirred, fresh, note"
            )
        return self


class FanTable(EventTable):
    rack: Name
    on: bool


class ClockTable(EventTable):
    known: bool
    note: Note | None = None
