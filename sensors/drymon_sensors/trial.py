"""For trying out and for tests, without hardware: a tree of kernel files as drivers make it, and a clock of one's own.

python -m drymon_sensors.trial /tmp/sys
drymon-sensors find --sys /tmp/sys
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping

I2C = "devices/platform/soc/fe804000.i2c/i2c-1"


class KernelTree:
    """Files and links below a folder, laid out as the kernel lays out /sys: classes and buses link to devices."""

    def __init__(self, root: str) -> None:
        self.root = root

    def iio(self, number: int, at: str, name: str, attributes: Mapping[str, str], bus: str = I2C) -> str:
        """An IIO device; its own folder."""
        folder = f"{bus}/{at}/iio:device{number}"
        self._link(f"bus/iio/devices/iio:device{number}", folder)
        return self._device(folder, name, attributes)

    def hwmon(self, number: int, at: str, name: str, attributes: Mapping[str, str], bus: str = I2C) -> str:
        """A hwmon device; its own folder."""
        folder = f"{bus}/{at}/hwmon/hwmon{number}"
        self._link(f"class/hwmon/hwmon{number}", folder)
        return self._device(folder, name, attributes)

    def counter(self, number: int, at: str, name: str, attributes: Mapping[str, str]) -> str:
        """A counter; its own folder."""
        folder = f"devices/platform/{at}/counter{number}"
        self._link(f"bus/counter/devices/counter{number}", folder)
        return self._device(folder, name, attributes)

    def onewire(self, number: str, lines: str) -> str:
        """A 1-wire thermometer; its own folder."""
        folder = f"devices/w1_bus_master1/{number}"
        self._link(f"bus/w1/devices/{number}", folder)
        return self._device(folder, number, {"w1_slave": lines})

    def remove(self, link: str) -> None:
        """Unplug what hangs at a link below bus/ or class/."""
        path = os.path.join(self.root, link)
        folder = os.path.realpath(path)
        os.unlink(path)
        for parent, _, names in os.walk(folder, topdown=False):
            for name in names:
                os.unlink(os.path.join(parent, name))
            os.rmdir(parent)

    def write(self, path: str, text: str) -> None:
        """A file, or another content of it."""
        whole = os.path.join(self.root, path)
        os.makedirs(os.path.dirname(whole), exist_ok=True)
        with open(whole, "w", encoding="utf-8") as file:
            file.write(text)

    def _device(self, folder: str, name: str, attributes: Mapping[str, str]) -> str:
        for attribute, text in {"name": name, **attributes}.items():
            self.write(f"{folder}/{attribute}", text + "\n")
        return os.path.join(self.root, folder)

    def _link(self, link: str, folder: str) -> None:
        path = os.path.join(self.root, link)
        os.makedirs(os.path.dirname(path), exist_ok=True)
        os.symlink(os.path.relpath(os.path.join(self.root, folder), os.path.dirname(path)), path)


def drying_room(root: str) -> KernelTree:
    """One humidity chip on I2C, and the computer's own thermometer beside it."""
    tree = KernelTree(root)
    tree.hwmon(0, "thermal_zone0", "cpu_thermal", {"temp1_input": "48200"}, "devices/virtual/thermal")
    tree.hwmon(1, "1-0044", "sht4x", {"temp1_input": "21480", "humidity1_input": "52060", "update_interval": "2000"})
    return tree


class TrialClock:
    """A clock that goes only when it is told to. wall: seconds since 1970; kept: whether a time server keeps it."""

    def __init__(self, wall: float = 1_930_200_000.0, running: float = 1000.0, kept: bool = True) -> None:
        self.wall_s, self.running_s, self.kept = wall, running, kept

    def wall(self) -> float:
        """The wall's time."""
        return self.wall_s

    def monotonic(self) -> float:
        """The running time."""
        return self.running_s

    def synchronised(self) -> bool:
        """Whether it is kept."""
        return self.kept

    def sleep(self, seconds: float) -> None:
        """Let time pass."""
        self.wall_s += seconds
        self.running_s += seconds


if __name__ == "__main__":
    drying_room(sys.argv[1])
