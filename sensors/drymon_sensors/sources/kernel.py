"""Reading what the kernel's drivers say in /sys: text and numbers, and what is wrong in words where they say nothing.

Devices are found by what they are (name, label) and where they hang (bus and address), never by the number that the
kernel gave them: it changes from one start to the next, and when one is plugged anew.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterator
from typing import NamedTuple

from drymon_sensors.errors import ReadError
from drymon_sensors.tables import as_written

SYS = "/sys"
ATTEMPTS = 3
"""A bus with long wires stumbles now and then; what fails three times running is told."""

_PASSING = {errno.EIO, errno.ETIMEDOUT, errno.EAGAIN, errno.EREMOTEIO, errno.EINTR, errno.EBUSY}
_GONE = {errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTDIR}
_MEANS = {
    errno.EIO: "the sensor does not answer: look at its wires and its power",
    errno.EREMOTEIO: "nothing answers at its address: look at its wires and its power",
    errno.ETIMEDOUT: "the sensor does not answer in time: look at its wires, and whether they are too long",
    errno.EAGAIN: "the sensor is busy",
    errno.EBUSY: "the sensor is busy: does another program use it?",
    errno.ENODATA: "the channel is switched off in its driver",
    errno.EACCES: "this user may not read it",
}
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?\Z", re.ASCII)


class Gone(ReadError):
    """The device is not there, or not there any more."""


class Kernel:
    """The kernel's files below a folder: /sys, or a tree made for a trial."""

    def __init__(self, root: str = SYS) -> None:
        self.root = root

    def text(self, path: str) -> str:
        """A file's content without white space around it. `Gone` or ReadError say why there is none."""
        for attempt in range(ATTEMPTS):
            try:
                return self.content(path).decode("utf-8", "replace").strip()
            except OSError as error:
                if error.errno in _GONE:
                    raise Gone(f"{os.path.basename(path)}: {_name(error)}, it is gone: is it plugged in?") from None
                if error.errno not in _PASSING or attempt == ATTEMPTS - 1:
                    raise ReadError(f"{os.path.basename(path)}: {_name(error)}, {_meaning(error)}") from None
        raise AssertionError("unreachable")

    def number(self, path: str) -> tuple[float, str]:
        """A file's number, and as it stands there. ReadError where it is none."""
        text = self.text(path)
        if not _NUMBER.match(text):
            said = as_written(text) if text else "nothing"
            raise ReadError(f"{os.path.basename(path)}: received {said}; allowed is a number: is it the right channel?")
        return float(text), text

    def content(self, path: str) -> bytes:
        """One read of a file, as drivers want it: an attribute is at most a page."""
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        try:
            return os.read(handle, 4096)
        finally:
            os.close(handle)

    def names(self, folder: str) -> list[str]:
        """What is in a folder, sorted by number; [] where it is not there."""
        try:
            return sorted(os.listdir(folder), key=lambda name: [int(n) for n in re.findall(r"\d+", name)])
        except OSError:
            return []

    def below(self, *parts: str) -> str:
        """A path below the root."""
        return os.path.join(self.root, *parts)


class Subsystem(NamedTuple):
    """Where a subsystem keeps its devices. folder: below the root; prefix: of its devices."""

    folder: str
    prefix: str


IIO = Subsystem("bus/iio/devices", "iio:device")
HWMON = Subsystem("class/hwmon", "hwmon")
COUNTER = Subsystem("bus/counter/devices", "counter")


class Device(NamedTuple):
    """A device. path: its own folder; at: the bus address or platform device that it hangs at."""

    path: str
    name: str
    label: str
    at: str

    def __str__(self) -> str:
        label = f' "{self.label}"' if self.label else ""
        return f"{self.name}{label} at {self.at}"


class Wanted(NamedTuple):
    """Which device is meant; "" matches any."""

    chip: str = ""
    label: str = ""
    at: str = ""

    def matches(self, device: Device) -> bool:
        """Whether this is one that is meant."""
        wanted = ((self.chip, device.name), (self.label, device.label), (self.at, device.at))
        return all(mine in ("", theirs) for mine, theirs in wanted)

    def __str__(self) -> str:
        named = f"{self.chip or 'a device'}" + (f' "{self.label}"' if self.label else "")
        return named + (f" at {self.at}" if self.at else "")


def devices(kernel: Kernel, subsystem: Subsystem) -> Iterator[Device]:
    """The devices of a subsystem; one that goes away meanwhile is left out."""
    for name in kernel.names(kernel.below(subsystem.folder)):
        if not name.startswith(subsystem.prefix):
            continue
        path = os.path.realpath(kernel.below(subsystem.folder, name))
        try:
            chip = kernel.text(os.path.join(path, "name"))
        except ReadError:
            continue
        yield Device(path, chip, _label(kernel, path), _place(path))


def locate(kernel: Kernel, subsystem: Subsystem, wanted: Wanted) -> Device:
    """The one device that is meant. `Gone` where there is none; ReadError where there are several."""
    there = list(devices(kernel, subsystem))
    found = [device for device in there if wanted.matches(device)]
    if len(found) == 1:
        return found[0]
    if found:
        places = " or ".join(f'at = "{device.at}"' for device in found)
        raise ReadError(f"{wanted}: there are {len(found)}; say which with {places}")
    names = ", ".join(map(str, there)) or "none"
    raise Gone(f"{wanted}: not found; {subsystem.folder} has {names}: look at wires and drivers (drymon-sensors find)")


class Chip:
    """One device, found again when it comes back under another number."""

    def __init__(self, kernel: Kernel, subsystem: Subsystem, wanted: Wanted) -> None:
        self.wanted = wanted
        self._kernel, self._subsystem = kernel, subsystem
        self._device: Device | None = None

    def number(self, attribute: str) -> tuple[float, str]:
        """An attribute's number, and as it stands there. ReadError says why there is none."""
        return self._kernel.number(self._path(attribute))

    def optional(self, *attributes: str) -> float | None:
        """The number of the first of these attributes that there is."""
        for attribute in attributes:
            if self.has(attribute):
                return self._kernel.number(self._path(attribute))[0]
        return None

    def has(self, attribute: str) -> bool:
        """Whether the device has this attribute."""
        return os.path.exists(self._path(attribute))

    def attributes(self) -> list[str]:
        """What it has."""
        return self._kernel.names(self.device().path)

    def device(self) -> Device:
        """The device as it was found; looked for anew where its folder is no more."""
        if self._device is None or not os.path.isdir(self._device.path):
            self._device = locate(self._kernel, self._subsystem, self.wanted)
        return self._device

    def _path(self, attribute: str) -> str:
        return os.path.join(self.device().path, attribute)


def _label(kernel: Kernel, path: str) -> str:
    try:
        return kernel.text(os.path.join(path, "label"))
    except ReadError:
        return ""


def _place(path: str) -> str:
    """The parent's name: "1-0044" for an I2C chip. hwmon has a folder of its own between."""
    parent = os.path.dirname(path)
    if os.path.basename(parent) in ("hwmon", "counter"):
        parent = os.path.dirname(parent)
    return os.path.basename(parent)


def _name(error: OSError) -> str:
    return errno.errorcode.get(error.errno or 0, str(error.errno))


def _meaning(error: OSError) -> str:
    return _MEANS.get(error.errno or 0, os.strerror(error.errno or 0))
