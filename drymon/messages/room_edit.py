"""room.toml changed in place: what people wrote between its lines stays, and what is not asked for is not touched."""

import hashlib
import os
import tomllib
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from drymon.errors import SetupError
from drymon.messages.config import ROOM_FILE

MOST_KEPT = 20
"""Former files that are kept beside room.toml."""

Values = Mapping[str, Any]
"""Keys of a table with their new values; None: the key is taken out. A mapping stands for a table inside."""


def read_room(home: Path) -> str:
    """The text of a home's room.toml; SetupError where it cannot be read."""
    file = home / ROOM_FILE
    try:
        return file.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SetupError(f"{file}: cannot be read as UTF-8 text ({error})") from error


def mark_of(text: str) -> str:
    """What tells one text of room.toml from another."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def set_single(text: str, table: str, values: Values) -> str:
    """The text with keys of `[table]` set; the table is made where there is none."""
    document = _read(text)
    if table not in document:
        import tomlkit

        document[table] = tomlkit.table()
    _set(document[table], values)
    return _checked(document, text, lambda data: _with(data.setdefault(table, {}), values))


def set_entry(text: str, table: str, number: int, values: Values) -> str:
    """The text with keys of the entry `number`, counted from 1, of `[[table]]` set."""
    document = _read(text)
    _set(document[table][number - 1], values)
    return _checked(document, text, lambda data: _with(data[table][number - 1], values))


def add_entry(text: str, table: str, values: Values) -> str:
    """The text with one more `[[table]]` at the end of those."""
    import tomlkit

    document, entry = _read(text), tomlkit.table()
    _set(entry, values)
    if table in document:
        entries = document[table]
        below = _take_below(entries[-1])
        _put_below(entries[-1], [(None, tomlkit.nl())])
        entries.append(entry)
        _put_below(entries[-1], below)
    else:
        new = tomlkit.aot()
        new.append(entry)
        document.append(table, new)
    return _checked(document, text, lambda data: data.setdefault(table, []).append(_with({}, values)))


def remove_entry(text: str, table: str, number: int) -> str:
    """The text without the entry `number`, counted from 1, of `[[table]]`."""
    document = _read(text)
    entries = document[table]
    below = _take_below(entries[number - 1])
    if len(entries) == 1:
        document.remove(table)
    else:
        del entries[number - 1]
        if number > 1:  # what stood below it is mostly the head of the next part
            _put_below(entries[number - 2], below)

    def without(data: dict[str, Any]) -> None:
        del data[table][number - 1]
        if not data[table]:
            del data[table]

    return _checked(document, text, without)


def keep_room(home: Path, before: str, after: str, now: datetime) -> Path:
    """Write room.toml anew, completely or not at all; the file as it was is kept beside it, and its path given back.

    SetupError where room.toml is not `before` any more, or cannot be written.
    """
    file = home / ROOM_FILE
    if read_room(home) != before:
        raise SetupError(f"{ROOM_FILE}: was changed by somebody else meanwhile; nothing was changed: look at it again")
    old = home / f"{ROOM_FILE}.{now.astimezone(UTC):%Y-%m-%dT%H%M%S%fZ}"
    draft = home / f"{ROOM_FILE}.new"
    try:
        mode = file.stat().st_mode & 0o777
        _write(old, before, mode)
        _write(draft, after, mode)
        draft.replace(file)
        for one in sorted(home.glob(f"{ROOM_FILE}.2*Z"))[:-MOST_KEPT]:
            one.unlink()
    except OSError as error:
        raise SetupError(f"{file}: cannot be written ({error}); nothing was changed") from error
    return old


def _write(file: Path, text: str, mode: int) -> None:
    with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode), "wb") as opened:
        opened.write(text.encode())
        opened.flush()
        os.fsync(opened.fileno())


def _read(text: str) -> Any:
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        raise SetupError(f"{ROOM_FILE}: is no valid TOML: {error}") from error
    if document.as_string() != text:  # it gathers them, and comments would end up elsewhere
        raise SetupError(
            f"{ROOM_FILE}: entries of one kind, such as [[coat]], stand apart from each other; put them one after "
            "another by hand first, so that your comments stay where they belong"
        )
    return document


def _checked(document: Any, text: str, change: Any) -> str:
    """The document as text, once a reader of its own finds in it what was asked for and nothing else."""
    wanted = tomllib.loads(text)
    change(wanted)
    after = str(document.as_string())
    try:
        found = tomllib.loads(after)
    except tomllib.TOMLDecodeError:
        found = {}
    if found != wanted:
        raise SetupError(f"{ROOM_FILE}: is written in a way that cannot be changed from here; change it by hand")
    return after


def _with(table: dict[str, Any], values: Values) -> dict[str, Any]:
    """Plain data with the values set, as `_set` sets them in the document."""
    for key, value in values.items():
        if isinstance(value, Mapping):
            value = _with(table.get(key, {}), value) or None
        if value is None:
            table.pop(key, None)
        else:
            table[key] = value
    return table


def _set(table: Any, values: Values) -> None:
    import tomlkit

    below = _take_below(table)
    for key, value in values.items():
        if isinstance(value, Mapping):
            _set_inside(table, key, value)
        elif value is None:
            if key in table:
                table.remove(key)
        elif key not in table:
            table.add(key, tomlkit.item(value))
        elif _plain(table[key]) != value:
            table[key] = value
    _put_below(table, below)


def _set_inside(table: Any, key: str, values: Values) -> None:
    import tomlkit

    if key in table:
        _set(table[key], values)
        if not _plain(table[key]):
            table.remove(key)
    elif any(value is not None for value in values.values()):
        inner = tomlkit.inline_table()
        _set(inner, values)
        table.add(key, inner)


def _plain(value: Any) -> Any:
    return value.unwrap() if hasattr(value, "unwrap") else value


def _take_below(table: Any) -> Sequence[Any]:
    """Comments and empty lines below the last key of a table, taken out of it: they belong to what follows."""
    body = _last_body(table)
    first = len(body)
    while first and body[first - 1][0] is None:
        first -= 1
    if not any(_is_blank(item) for _, item in body[first:]):
        return ()
    while not _is_blank(body[first][1]):  # a comment right below the last key is about that key
        first += 1
    below: list[Any] = body[first:]
    del body[first:]
    return below


def _is_blank(item: Any) -> bool:
    return not item.as_string().strip()


def _put_below(table: Any, below: Sequence[Any]) -> None:
    _last_body(table).extend(below)


def _last_body(table: Any) -> Any:
    """The lines of a table, or of the table within it that comes last."""
    from tomlkit.items import Table

    body = table.value.body if hasattr(table.value, "body") else table.value._value.body
    keyed = [item for key, item in body if key is not None]
    if keyed and isinstance(keyed[-1], Table) and body[-1][1] is keyed[-1]:
        return _last_body(keyed[-1])
    return body
