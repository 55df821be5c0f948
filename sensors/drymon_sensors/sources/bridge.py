"""Load cells through a bridge converter with an IIO driver: counts, gain and tare are ours.

The driver gives raw counts and no offset: where nothing hangs is for us to know. Two or more points, counts with known
masses, say both where zero is and what a kilogram is.
"""

from __future__ import annotations

from drymon_sensors.curve import Line, line_through
from drymon_sensors.errors import ReadError
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.iio import IioChannel, wanted_of
from drymon_sensors.tables import Table

OFFSET, SIGNED = "offset", "signed"
CODES = (OFFSET, SIGNED)


class Bridge:
    """A load cell.

    bits, code: of the converter; offset binary has its zero in the middle of the codes.
    line: kilograms from counts.
    scale: the channel's `_scale` when the points were taken, as text; the gain has changed where it is another.
    """

    quantity = "weight"

    def __init__(self, channel: IioChannel, line: Line, bits: int = 24, code: str = OFFSET, scale: str = "") -> None:
        self._channel, self._line, self._bits, self._code, self._scale = channel, line, bits, code, scale
        self.seen = ""

    @classmethod
    def from_table(cls, table: Table, quantity: str, machine: Machine) -> Bridge:
        """By the keys chip, label, at, channel, points, bits, code and scale."""
        channel = IioChannel(machine, wanted_of(table), "voltage", table.text("channel", "voltage0"))
        points = table.points("points")
        if not points:
            raise table.wrong(
                "points", None, "[[counts, kg], …]: the empty hook and a known mass (drymon-sensors show)"
            )
        bits, code = table.whole("bits", 24, 8, 32), table.choice("code", CODES, OFFSET)
        return cls(channel, line_through(points, table, "points"), bits, code, table.text("scale", ""))

    def read(self) -> float:
        """Kilograms on the hook."""
        return self._line(self.counts())

    def counts(self) -> float:
        """Counts from the middle of the converter's range. ReadError where it stands at an end of it."""
        raw = self._channel.raw()
        middle = 2 ** (self._bits - 1)
        counts = raw - middle if self._code == OFFSET else raw
        self.seen = f"{self._channel.seen}, counts {counts:.0f}"
        if not -middle < counts < middle - 1:
            raise ReadError(
                f"raw {raw:.0f} is the end of the converter's range: a broken wire, or too much on the hook"
            )
        self._check_gain()
        return counts

    def _check_gain(self) -> None:
        scale = self._channel.shared("scale")
        if self._scale and scale is not None and abs(scale - float(self._scale)) > 1e-4 * abs(scale):
            raise ReadError(
                f"in_voltage_scale is {scale:.9f}, the points were taken at {self._scale}: the gain has changed; "
                "write that scale back, or take the points anew"
            )

    def where(self) -> str:
        """What is read."""
        return f"bridge on {self._channel}"

    def close(self) -> None:
        """Nothing is held open."""
