"""The sources: one small class each, chosen by `kind` in the configuration."""

from __future__ import annotations

from collections.abc import Callable
from math import ceil, inf
from typing import NamedTuple

from drymon_sensors.quantities import QUANTITIES
from drymon_sensors.sources.base import Machine, Source
from drymon_sensors.sources.bridge import Bridge
from drymon_sensors.sources.counter import PulseCounter
from drymon_sensors.sources.fake import MEANS, Fake
from drymon_sensors.sources.hotwire import HotWire
from drymon_sensors.sources.hwmon import Hwmon
from drymon_sensors.sources.iio import TYPES, Iio
from drymon_sensors.sources.onewire import OneWire
from drymon_sensors.sources.scale import Scale
from drymon_sensors.tables import Table


class Kind(NamedTuple):
    """A way to measure.

    make: a source from its table; quantities: what it can measure.
    samples: how many reads make a reading; longest_step_s: at most so long between two of them.
    """

    make: Callable[[Table, str, Machine], Source]
    quantities: tuple[str, ...]
    samples: int = 3
    longest_step_s: float = inf

    def usual_samples(self, every_s: float) -> int:
        """How many reads make a reading, where the configuration does not say."""
        return max(self.samples, ceil(every_s / self.longest_step_s))


KINDS = {
    "iio": Kind(Iio.from_table, tuple(name for name in TYPES if name in QUANTITIES)),
    "hwmon": Kind(Hwmon.from_table, ("temperature", "humidity", "surface")),
    "bridge": Kind(Bridge.from_table, ("weight",), 5),
    "hotwire": Kind(HotWire.from_table, ("airflow",), 5),
    "counter": Kind(PulseCounter.from_table, ("airflow",), 1),  # it counts through the whole interval anyway
    "onewire": Kind(OneWire.from_table, ("temperature", "surface"), 1),  # one takes most of a second, and heats it
    "scale": Kind(Scale.from_table, ("weight",), 1, 5.0),  # it talks on; what nobody reads for long gets old
    "fake": Kind(Fake.from_table, tuple(MEANS), 1),
}
