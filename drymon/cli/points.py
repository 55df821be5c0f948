"""The points of a calibration as people give them: what is asked for, how an answer is read, files of them."""

import csv
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

from drymon.drying.quantities import LIMITS, Quantity
from drymon.errors import LearningError
from drymon.messages.typed import quantity_of
from drymon.messages.units import allowed_units

Row = dict[str, str]
"""A point's answers as they were given, by column."""


@dataclass(frozen=True, slots=True)
class Column:
    """One answer of a point: its column in a file, the words for it, its quantity (None: a salt), what is allowed of a
    reference, and the column's name in files of before.
    """

    name: str
    words: str
    quantity: Quantity | None = None
    allowed: tuple[float, float] | None = None
    formerly: str = ""

    @property
    def unit(self) -> str:
        """The unit that a bare number is in, for a person."""
        unit = "" if self.quantity is None else LIMITS[self.quantity].unit
        return "°C" if unit == "Cel" else unit

    def asked(self, number: int) -> str:
        """What to ask for, of the point of that number."""
        return f"{self.words} {number}, {self.unit}" if self.unit else f"{self.words} {number}"


def _pair(quantity: Quantity, ending: str) -> tuple[Column, Column]:
    limits = LIMITS[quantity]
    return (
        Column(f"reference_{ending}", "reference", quantity, (limits.low, limits.high), "reference"),
        Column(f"reading_{ending}", "reading", quantity, None, "reading"),
    )


COLUMNS: dict[str, tuple[Column, ...]] = {
    "cell": (
        Column("known_kg", "known mass", Quantity.WEIGHT, (0.0, LIMITS[Quantity.WEIGHT].high)),
        Column("reading_kg", "reading", Quantity.WEIGHT),
    ),
    "humidity": (
        Column("salt", "salt"),
        Column("temperature_c", "temperature in the jar", Quantity.TEMPERATURE, (15.0, 30.0)),
        Column("reading_pct", "reading", Quantity.HUMIDITY),
    ),
    "airflow": _pair(Quantity.AIRFLOW, "m_per_s"),
    "temperature": _pair(Quantity.TEMPERATURE, "c"),
}
"""What is asked of each kind of sensor, in its order."""


def value_of(column: Column, text: str) -> float | str:
    """An answer's value, in its column's unit; a salt by its name. Raises LearningError where it can be none."""
    if column.quantity is None:
        from drymon.learning.salts import salt_named

        return salt_named(text).name
    value = quantity_of(column.quantity, text)
    low, high = column.allowed or (float("-inf"), float("inf"))
    if not low <= value <= high:
        raise LearningError(
            f"received {text!r}, which is {value:g} {column.unit}; allowed is {low:g} to {high:g} {column.unit}; if "
            f"it is in another unit, say so: {allowed_units(column.quantity)}"
        )
    return value


def rows_of_file(kind: str, source: str) -> list[Row]:
    """The points of a CSV file, - for stdin. LearningError, with file, line and column, for what cannot be read."""
    try:
        text = sys.stdin.read() if source == "-" else Path(source).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise LearningError(f"{source}: cannot be read as text ({error})") from None
    name = "stdin" if source == "-" else source
    reader = csv.reader(text.splitlines(), skipinitialspace=True)
    places = _places(kind, name, [each.strip() for each in next(reader, [])])
    rows = []
    for cells in reader:
        if any(cell.strip() for cell in cells):
            rows.append(_row(kind, cells, places, f"{name}, line {reader.line_num}"))
    return rows


def _places(kind: str, source: str, head: list[str]) -> list[int]:
    """Where in a line each column is."""
    columns = COLUMNS[kind]
    found = [next((head.index(name) for name in (c.name, c.formerly) if name in head), None) for c in columns]
    if None in found:
        needed = ",".join(column.name for column in columns)
        raise LearningError(f"{source}: its first line has {', '.join(head) or 'nothing'}; needed: {needed}")
    return [place for place in found if place is not None]


def _row(kind: str, cells: list[str], places: list[int], where: str) -> Row:
    row = {}
    for column, place in zip(COLUMNS[kind], places, strict=True):
        answer = cells[place].strip() if place < len(cells) else ""
        try:
            value_of(column, answer)
        except LearningError as error:
            raise LearningError(f"{where}, {column.name}: {error}") from None
        row[column.name] = answer
    return row


def as_file(kind: str, rows: Iterable[Row]) -> str:
    """The points as lines that `--points` reads."""
    text = StringIO()
    writer = csv.DictWriter(text, [column.name for column in COLUMNS[kind]], lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().rstrip()
