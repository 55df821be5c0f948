"""What of room.toml is set up on the page: the fields of each table, from a form to values and back.

What a value may be is not judged here: what was typed goes to the parser, whose words are shown.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from pydantic import BaseModel

from drymon.drying.cups import CUPS
from drymon.drying.quantities import Quantity
from drymon.drying.sieves import OPENING_UM
from drymon.messages import tables
from drymon.messages.allowed import allowed_words, default_of
from drymon.messages.fields import WEEK
from drymon.messages.names import ROOM_PLACE, label_of, name_or

Kind = Literal["text", "number", "pair", "choice", "mesh", "ticks", "order"]
Form = Mapping[str, Any]
"""A form's fields, with `getlist` (werkzeug's MultiDict)."""

LONGEST = 400
"""Characters that are looked at of one field; no key of room.toml needs more."""


@dataclass(frozen=True, slots=True)
class Field:
    """A key of a table. `key`: dotted for a table inside. options: what may be chosen, or the name of what room.toml
    has of it: racks, places, coats.
    """

    key: str
    label: str
    kind: Kind = "text"
    unit: str = ""
    hint: str = ""
    options: tuple[str, ...] | str = ()
    needed: bool = False

    @property
    def words(self) -> str:
        """The label with its unit."""
        return f"{self.label}, {self.unit}" if self.unit else self.label


@dataclass(frozen=True, slots=True)
class Part:
    """A table of room.toml, or all of its name. single: it is there once. tells: keys to call an entry by."""

    table: str
    title: str
    one: str
    model: type[BaseModel]
    fields: tuple[Field, ...]
    single: bool = False
    about: str = ""
    tells: tuple[str, ...] = ("label", "name")
    inner: Mapping[str, type[BaseModel]] = field(default_factory=dict)

    def range_of(self, one: Field) -> str:
        """What the key may be and what it is where nothing is said, in the parser's words."""
        outer, _, key = one.key.rpartition(".")
        model = self.inner[outer] if outer else self.model
        usual = default_of(model, key)
        said = [allowed_words(model, key)] if one.kind in ("text", "number", "pair") else []
        if usual not in (None, "") and one.kind in ("text", "number", "pair", "choice"):
            shown = " to ".join(f"{value:g}" for value in usual) if isinstance(usual, list) else usual
            said.append(f"{shown:g} where not given" if isinstance(usual, float) else f"{shown} where not given")
        return "; ".join(words for words in said if words)

    def called(self, entry: Mapping[str, Any]) -> str:
        """What to call an entry."""
        return next((str(entry[key]) for key in self.tells if entry.get(key)), "?")


NAME = Field("name", "Name", needed=True, hint="stands in topics and models, and stays as it is once it is set")
LABEL = Field("label", "What people call it")
BAND = (
    Field("room.temperature_c", "Temperature band", "pair", "°C"),
    Field("room.humidity_pct", "Humidity band", "pair", "% RH"),
    Field("room.airflow_m_per_s", "Air speed band", "pair", "m/s"),
    Field("room.swing_c", "Most swing of temperature over one coat", "number", "K"),
    Field("room.co2_ppm", "CO2 band", "pair", "ppm"),
)
PARTS: tuple[Part, ...] = (
    Part(
        "room", "The room", "the room", tables.RoomTable, single=True,
        fields=(
            LABEL,
            Field("timezone", "Time zone"),
            Field("altitude_m", "Altitude", "number", "m", "for the air pressure, where no barometer reports"),
            Field("stale_after_min", "Readings are no evidence after", "number", "min"),
            Field("edges", "Slurry at the edges of trees", "choice", options=("even", "usual", "thick")),
        ),
    ),
    Part(
        "hours", "When people are there", "the hours", tables.HoursTable, single=True,
        about="For the plan. Nothing given: always.",
        fields=(
            Field("days", "Days", "ticks", options=WEEK, hint="none ticked: every day"),
            Field("from", "From"),
            Field("to", "To"),
            Field("dip_min", "Work for one dip", "number", "min"),
            Field("hands", "Dips that can be done at a time", "number"),
        ),
    ),
    Part(
        "rack", "Racks", "rack", tables.RackTable,
        fields=(
            NAME,
            LABEL,
            Field("air", "Whose readings count here", "order", options="places",
                  hint="first choice first; none: the rack's own, then the room's"),
            Field("airflow_assumed", "Air speed at the parts, where no anemometer reports", "pair", "m/s"),
        ),
    ),
    Part(
        "cell", "Load cells", "load cell", tables.CellTable,
        fields=(NAME, LABEL, Field("rack", "Hangs on", "choice", options="racks", needed=True)),
    ),
    Part(
        "source", "Sensors on topics of their own", "sensor", tables.SourceTable, tells=("label", "topic"),
        about="Sensors that publish under drymon/ROOM/PLACE/QUANTITY need no entry here.",
        fields=(
            Field("topic", "Topic", needed=True),
            LABEL,
            Field("place", "Place", "choice", options="places", needed=True),
            Field("quantity", "Quantity", "choice", options=tuple(Quantity), needed=True),
            Field("unit", "Unit", hint="such as degF; nothing: the quantity's usual one"),
            Field("field", "Where the number is in the JSON", hint="such as temp_f; nothing: the payload is it"),
            Field("sensor", "Name of the sensor", hint="nothing: made from the topic; of a weight: the load cell"),
        ),
    ),
    Part(
        "coat", "Coats", "coat", tables.CoatTable, inner={"room": tables.BandTable},
        about="A coat's name is also that of its model.",
        fields=(
            NAME,
            LABEL,
            Field("family", "Family", "choice", options=("prime", "backup", "seal"), needed=True),
            Field("stucco_mesh", "Stucco, sieve numbers", "mesh", options=tuple(map(str, OPENING_UM))),
            Field("dry_at", "Dry at this share of its water gone", "number"),
            Field("shortest_wait_h", "Shortest wait before a redip", "number", "h"),
            Field("longest_wait_h", "Longest wait without a look", "number", "h"),
            Field("usual_wait_h", "What you have been waiting", "number", "h",
                  "open trees, your usual air, sound shells: evidence, no limit"),
            Field("fastest_loss_pct_per_h", "Faster than this may craze", "number", "% of the water an hour"),
            *BAND,
        ),
    ),
    Part(
        "recipe", "Recipes", "recipe", tables.RecipeTable,
        fields=(NAME, LABEL, Field("coats", "Coats, from the first", "order", options="coats", needed=True)),
    ),
    Part(
        "slurry", "Tanks of slurry", "tank", tables.SlurryTable,
        fields=(
            NAME,
            LABEL,
            Field("coats", "Coats dipped in it", "ticks", options="coats", needed=True),
            Field("cup", "Flow cup", "choice", options=tuple(CUPS)),
            Field("seconds", "Band of the cup", "pair", "s"),
            Field("temperature", "Band of its temperature", "pair", "°C"),
            Field("density", "Band of its density", "pair", "kg/L"),
            Field("ph", "Band of its pH", "pair"),
            Field("surface_m2", "Open surface", "number", "m²"),
            Field("volume_l", "Volume", "number", "L"),
        ),
    ),
)  # fmt: skip
PART = {part.table: part for part in PARTS}
"""By the table's name. Broker, page, notices and store are not among them: they name files and doors of the machine."""


def options_of(one: Field, data: Mapping[str, Any]) -> list[str]:
    """What may be chosen; data: room.toml as it is."""
    if not isinstance(one.options, str):
        return [str(option) for option in one.options]
    table = "coat" if one.options == "coats" else "rack"
    names = [str(entry.get("name", "")) for entry in data.get(table, [])]
    return [*names, ROOM_PLACE] if one.options == "places" else names


def values_of(part: Part, form: Any, new: bool) -> dict[str, Any]:
    """What a form says, key by key; None: not given. A name is only taken of a new entry."""
    values: dict[str, Any] = {}
    for one in part.fields:
        if one.key == "name" and not new:
            continue
        outer, _, key = one.key.rpartition(".")
        (values.setdefault(outer, {}) if outer else values)[key] = _value(one, form)
    if values.get("name"):  # what people write makes a name, and is what they call it
        values["label"] = values["label"] or label_of(values["name"]) or None
        values["name"] = name_or(values["name"])
    return values


def shown_of(one: Field, entry: Mapping[str, Any]) -> list[str]:
    """What stands in a form's field, or fields, for an entry of room.toml."""
    outer, _, key = one.key.rpartition(".")
    value = (entry.get(outer, {}) if outer else entry).get(key)
    if one.kind == "mesh":
        return ["" if value is None else "none", ""] if not value else [*map(str, value), ""][:2]
    if value is None:
        return ["", ""] if one.kind == "pair" else [] if one.kind in ("ticks", "order") else [""]
    return [_written(each) for each in value] if isinstance(value, list) else [_written(value)]


def said_of(one: Field, form: Any) -> list[str]:
    """What was typed, for the form to show it again."""
    return [text[:LONGEST] for text in form.getlist(one.key)]


def _value(one: Field, form: Any) -> Any:
    said = [text.strip()[:LONGEST] for text in form.getlist(one.key)]
    if one.kind == "pair":
        return [number(text) for text in said[:2]] if any(said) else None
    if one.kind == "mesh":
        return [] if said[:1] == ["none"] else [number(text) for text in said if text] or None
    if one.kind in ("ticks", "order"):
        return [text for text in said if text] or None
    text = said[0] if said else ""
    if not text:
        return None
    return number(text) if one.kind == "number" else text


def number(text: str) -> int | float | str:
    """A number as people write it, with a point or a comma; else the text, for the parser to say what is allowed."""
    plain = text.replace(",", ".")
    try:
        value = float(plain)
    except ValueError:
        return text
    return int(plain) if plain.lstrip("+-").isdecimal() and len(plain) < 20 else value


def _written(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) and float(f"{value:g}") == value else str(value)


def problems_by_field(part: Part, number: int | None, told: Sequence[str]) -> tuple[dict[str, str], list[str]]:
    """The parser's words, by the field that they are about, without its key; and those about none of these fields.

    number: of the entry, counted from 1; None: of a table that is there once.
    """
    prefix = part.table if number is None else f"{part.table}[{number}]"
    beside: dict[str, str] = {}
    left = []
    for line in told:
        where, _, words = line.partition(": ")
        path = where.partition(" (")[0]
        key = path.removeprefix(prefix + ".").partition("[")[0] if path.startswith(prefix + ".") else ""
        found = next((one.key for one in part.fields if one.key == key), None)
        if found is None:
            left.append(line)
        else:
            beside[found] = f"{beside[found]}; {words}" if found in beside else words
    return beside, left
