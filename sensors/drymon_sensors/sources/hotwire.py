"""Hot-wire and other anemometers that give a voltage: any converter with an IIO or hwmon driver, and a calibration."""

from __future__ import annotations

from collections.abc import Callable

from drymon_sensors.curve import king_through, table_of
from drymon_sensors.sources.base import Machine, Source
from drymon_sensors.sources.hwmon import Hwmon
from drymon_sensors.sources.iio import Iio
from drymon_sensors.tables import Table

CONVERTERS: dict[str, Callable[[Table, str, Machine], Source]] = {"iio": Iio.from_table, "hwmon": Hwmon.from_table}


class HotWire:
    """Air speed from a voltage. divider: volts at the sensor in one at the converter."""

    quantity = "airflow"

    def __init__(self, volts: Source, curve: Callable[[float], float], divider: float = 1.0) -> None:
        self._volts, self._curve, self._divider = volts, curve, divider
        self.seen = ""

    @classmethod
    def from_table(cls, table: Table, quantity: str, machine: Machine) -> HotWire:
        """By the keys converter (and those of that kind), points, law and divider."""
        converter = CONVERTERS[table.choice("converter", tuple(CONVERTERS), "iio")]
        volts, divider = converter(table, "voltage", machine), table.number("divider", 1.0, 1e-3, 1e3)
        points, law = table.points("points"), table.choice("law", ("table", "king"), "table")
        if not points:
            raise table.wrong("points", None, "[[volts, m/s], …] of its calibration, one of them in still air")
        curve = table_of(points, table, "points") if law == "table" else king_through(points, table, "points")
        return cls(volts, curve, divider)

    def read(self) -> float:
        """Metres per second."""
        volts = self._volts.read() * self._divider
        self.seen = f"{volts:.4f} V"
        return max(self._curve(volts), 0.0)

    def where(self) -> str:
        """What is read."""
        return f"hot wire on {self._volts.where()}"

    def close(self) -> None:
        """Let go of the converter."""
        self._volts.close()
