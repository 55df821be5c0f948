"""Turns what pydantic finds wrong with a table into words for the person who wrote the file."""

import json
import types
from collections.abc import Sequence
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from drymon.messages.names import NAME_PATTERN, NAME_RULE
from drymon.shop.facts.slips import did_you_mean

LONGEST_REASONS = 900
"""Characters: as much as a person reads, and a bound on what a message that nobody can use costs the disk."""

_WANTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "finite_number": "a finite number",
    "string_type": 'text in quotes "…"',
    "bool_type": "true or false",
    "list_type": "a list in [ ]",
    "model_type": "a table of keys",
    "missing": "required",
}


def complaints(error: ValidationError, model: type[BaseModel], data: Any) -> list[str]:
    """One line for each finding: key, what was received, what is allowed."""
    return [_line(finding, model, data) for finding in error.errors(include_url=False)]


def as_written(value: Any) -> str:
    """A value about as it stands in the file, shortened."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 80 else text[:77] + "..."


def gathered(reasons: Sequence[str]) -> str:
    """Why something is refused, in one text of bounded length: the first reasons, and how many more there are."""
    told: list[str] = []
    room = LONGEST_REASONS
    for reason in reasons:
        if told and len(reason) > room:
            break
        told.append(reason if len(reason) <= LONGEST_REASONS else reason[: LONGEST_REASONS - 3] + "...")
        room -= len(reason) + 2
    more = len(reasons) - len(told)
    return "; ".join(told) + (f"; and {more} more of the kind" if more else "")


def key_path(parts: tuple[int | str, ...], data: Any) -> str:
    """`rack[2].airflow_assumed ("rack-b")`: entries of a list are counted from 1 and called by their name."""
    path, named = "", ""
    for part in parts:
        path += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if path else part
        data = _inside(data, part)
        if isinstance(part, int) and isinstance(data, dict) and isinstance(data.get("name"), str):
            named = f' ("{data["name"]}")'
    return path + named


def _line(finding: Any, model: type[BaseModel], data: Any) -> str:
    parts = tuple(finding["loc"])
    where = key_path(parts, data)
    if finding["type"] == "extra_forbidden":
        received = f"received the unknown key {as_written(parts[-1])}"
        return f"{where}: {received}; allowed here are {_allowed_keys(model, parts)}"
    if finding["type"] == "missing":
        return f"{where}: is missing; it is required"
    if finding["type"] == "value_error" and isinstance(finding["input"], dict):
        return f"{where}: {_allowed(finding)}"  # about a whole table: the text says what was received
    return f"{where}: received {as_written(finding['input'])}; allowed is {_allowed(finding)}"


def _allowed(finding: Any) -> str:
    kind, context = finding["type"], finding.get("ctx", {})
    if kind == "string_pattern_mismatch" and context["pattern"] == NAME_PATTERN:
        return NAME_RULE
    if kind in ("too_short", "too_long"):
        bound = context.get("min_length", context.get("max_length"))
        return f"a list of at {'least' if kind == 'too_short' else 'most'} {bound}"
    if kind in ("string_too_short", "string_too_long"):
        return "text that is not empty" if "min_length" in context else f"at most {context['max_length']} characters"
    wanted = _WANTED.get(kind, str(finding["msg"]))
    return wanted.removeprefix("Input should be ").removeprefix("Value error, ")


def _allowed_keys(model: type[BaseModel], parts: tuple[int | str, ...]) -> str:
    """The keys of the table that the unknown key stands in, the likeliest first."""
    for part in parts[:-1]:
        if isinstance(part, str) and part in model.model_fields:
            model = _table_in(model.model_fields[part].annotation) or model
    return did_you_mean(str(parts[-1]), model.model_fields, most=1)


def _table_in(annotation: Any) -> type[BaseModel] | None:
    """The table type inside `X`, `X | None`, `list[X]`."""
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        return annotation if issubclass(annotation, BaseModel) else None
    found = (_table_in(part) for part in get_args(annotation))
    return next((table for table in found if table), None)


def _inside(data: Any, part: int | str) -> Any:
    try:
        return data[part]
    except (KeyError, IndexError, TypeError):
        return None
