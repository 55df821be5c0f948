"""What the columns of an exported table are: a Table Schema beside the CSV, and all of them as a Data Package
(Frictionless Data, version 1). Pure.
"""

import json
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any

from drymon.drying.quantities import Quantity
from drymon.shop.facts.outcome import State
from drymon.views.rows import ALARM_COLUMNS, LOG_COLUMNS, READING_COLUMNS, ROLLED_COLUMNS, VERDICT_COLUMNS

TABLES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "readings": READING_COLUMNS,
        "minutes": ROLLED_COLUMNS,
        "hours": ROLLED_COLUMNS,
        "log": LOG_COLUMNS,
        "verdicts": VERDICT_COLUMNS,
        "alarms": ALARM_COLUMNS,
    }
)

TITLES: Mapping[str, str] = MappingProxyType(
    {
        "readings": "single readings",
        "minutes": "readings by the minute",
        "hours": "readings by the hour",
        "log": "what people did and said",
        "verdicts": "what was said of each tree",
        "alarms": "alarms, raised and cleared",
    }
)

Kind = Mapping[str, Any]
TEXT: Kind = MappingProxyType({"type": "string"})
MOMENT: Kind = MappingProxyType({"type": "datetime", "format": "any"})
"""RFC 3339 in UTC, with a fraction of the second where there is one."""
NUMBER: Kind = MappingProxyType({"type": "number"})
SHARE: Kind = MappingProxyType({"type": "number", "constraints": {"minimum": 0, "maximum": 1}})
COUNT: Kind = MappingProxyType({"type": "integer", "constraints": {"minimum": 1}})
TRUTH: Kind = MappingProxyType({"type": "boolean", "trueValues": ["true"], "falseValues": ["false"]})
QUANTITY: Kind = MappingProxyType({"type": "string", "constraints": {"enum": [each.value for each in Quantity]}})

TYPES: Mapping[str, Kind] = MappingProxyType(
    {
        **dict.fromkeys(("time", "start", "arrived", "valid_until", "dipped_at", "redip_by"), MOMENT),
        **dict.fromkeys(("dry_at_early", "dry_at_best", "dry_at_late"), MOMENT),
        **dict.fromkeys(
            ("value", "low", "mean", "high", "mass", "seconds", "temperature", "density", "ph", "water_added"), NUMBER
        ),
        **dict.fromkeys(("dryness_low", "dryness_best", "dryness_high"), SHARE),
        **dict.fromkeys(("safe_to_redip", "on", "known", "stirred", "fresh"), TRUTH),
        "number": COUNT,
        "count": COUNT,
        "quantity": QUANTITY,
    }
)
"""By column; any other is text."""

ABOUT: Mapping[str, str] = MappingProxyType(
    {
        "time": "when it was so, UTC",
        "start": "when the minute or hour begins, UTC",
        "low": "the lowest value in it",
        "mean": "of all values in it, each counted once",
        "high": "the highest value in it",
        "count": "how many values there are in it",
        "arrived": "when it was told, UTC",
        "valid_until": "after it the verdict is not to be believed, UTC",
        "value": "in the unit of its row",
        "unit": "by the codes of RFC 8428 (SenML)",
        "mass": "kg",
        "seconds": "efflux time of the cup, s",
        "temperature": "of the slurry, degC",
        "density": "of the slurry, kg/m3",
        "water_added": "litres",
        "number": "of the coat, counted from the pattern outwards",
        "dryness_low": "share of the removable water that is surely gone from the slowest part",
        "dryness_best": "share of it that is likely gone",
        "dryness_high": "share of it that may be gone",
        "dry_at_early": "the coat may be dry from then on, UTC",
        "dry_at_best": "the coat is likely dry then, UTC",
        "dry_at_late": "the coat is surely dry then, UTC",
        "safe_to_redip": "the tree may be dipped again; says nothing about dewax or pour",
        "reasons": "codes, joined by semicolons",
        "entry": "what was taken back",
    }
)


def schema_of(what: str) -> dict[str, Any]:
    """The schema of one of TABLES."""
    fields = [_field(what, name) for name in TABLES[what]]
    return {"fields": fields, "missingValues": [""]}


def resource_of(what: str) -> dict[str, Any]:
    """One of TABLES as a resource of a Data Package, without what only its file tells."""
    named = {"name": what, "path": f"{what}.csv", "title": TITLES[what], "profile": "tabular-data-resource"}
    how = {"format": "csv", "mediatype": "text/csv", "encoding": "utf-8"}
    return named | how | {"schema": schema_of(what)}


def package_of(room: str, version: str, created: str, resources: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """The descriptor of a Data Package of a room's tables. version: drymon's; created: RFC 3339."""
    return {
        "profile": "tabular-data-package",
        "name": f"{room}-record",
        "title": f"The record of the drying room {room}",
        "created": created,
        "sources": [{"title": f"drymon {version}"}],
        "resources": list(resources),
    }


def schema_text(what: str) -> str:
    """The same as the file beside the table."""
    return json.dumps(schema_of(what), indent=2, ensure_ascii=False) + "\n"


def typed(row: Iterable[str], names: Iterable[str]) -> list[object]:
    """A row of cells as values by the schema's types; moments stay as they are written."""
    return [_typed(cell, str(TYPES.get(name, TEXT)["type"])) for cell, name in zip(row, names, strict=True)]


def _typed(cell: str, kind: str) -> object:
    if cell == "":
        return None
    match kind:
        case "number":
            return float(cell)
        case "integer":
            return int(cell)
        case "boolean":
            return cell == "true"
    return cell


def _field(what: str, name: str) -> dict[str, Any]:
    found: dict[str, Any] = {"name": name, **TYPES.get(name, TEXT)}
    if what == "verdicts" and name == "state":
        found["constraints"] = {"enum": [state.value for state in State]}
    return found | ({"description": ABOUT[name]} if name in ABOUT else {})
