"""Calibrations of sensors, and what a scale has measured. The table only grows: what was taken back stays on record."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from drymon.store.codec import from_us, to_json, to_us
from drymon.store.database import Database


@dataclass(frozen=True, slots=True)
class Calibration:
    """A sensor against a reference, as the calibration wrote it. The newest of its sensor and kind holds.

    A document with `TAKEN_BACK_BY` is no calibration: it takes back the newest that then stood.
    """

    time: datetime
    sensor: str
    kind: str
    document: Mapping[str, Any]


TAKEN_BACK_BY = "taken_back_by"


class Calibrations(Database):
    """The part of the store that keeps calibrations; nothing here is ever deleted by age."""

    def add_calibration(self, calibration: Calibration) -> None:
        """Add a calibration; earlier ones stay."""
        with self.transaction():
            row = (to_us(calibration.time), calibration.sensor, calibration.kind, to_json(calibration.document))
            self._db.execute("INSERT INTO calibration (time, sensor, kind, body) VALUES (?, ?, ?, ?)", row)

    def calibrations(self, sensor: str | None = None, kind: str | None = None) -> list[Calibration]:
        """Calibrations that stand, in the order they were written, the newest last."""
        return self._calibrations(sensor, kind)[0]

    def calibrations_taken_back(self) -> list[tuple[Calibration, str]]:
        """Calibrations that count no more, and who took them back, in the order of that."""
        return self._calibrations(None, None)[1]

    def _calibrations(
        self, sensor: str | None, kind: str | None
    ) -> tuple[list[Calibration], list[tuple[Calibration, str]]]:
        """Those that stand and those taken back: the table only grows, so both are read out of its order."""
        standing, back = list[Calibration](), list[tuple[Calibration, str]]()
        for one in self._calibration_rows(sensor, kind):
            by = one.document.get(TAKEN_BACK_BY)
            if by is None:
                standing.append(one)
                continue
            newest = max((n for n, old in enumerate(standing) if _same(old, one)), default=None)
            if newest is not None:
                back.append((standing.pop(newest), str(by)))
        return standing, back

    def _calibration_rows(self, sensor: str | None, kind: str | None) -> Iterator[Calibration]:
        where, values = ["1 = 1"], list[object]()
        for column, name in (("sensor", sensor), ("kind", kind)):
            if name is not None:
                where.append(f"{column} = ?")
                values.append(name)
        rows = self._rows(
            f"SELECT time, sensor, kind, body FROM calibration WHERE {' AND '.join(where)} ORDER BY id", values
        )
        return (Calibration(from_us(row[0]), row[1], row[2], json.loads(row[3])) for row in rows)


def _same(one: Calibration, other: Calibration) -> bool:
    return (one.sensor, one.kind) == (other.sensor, other.kind)
