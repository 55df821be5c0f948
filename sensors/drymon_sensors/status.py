"""What a node says of itself: is it well, what waits, which sensors give nothing, and why."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from typing import Any

from drymon_sensors import __version__
from drymon_sensors.clock import NodeTime, stamp
from drymon_sensors.sampling import OK, WAITING, Outcome, Sensor

log = logging.getLogger(__name__)


@dataclass
class SensorState:
    """How a sensor is. since: running seconds since it is so."""

    state: str = WAITING
    why: str = ""
    value: float | None = None
    since: float = 0.0


@dataclass
class Health:
    """The state of all sensors. changed: a sensor's state has changed since `told` was last called."""

    time: NodeTime
    sensors: dict[str, SensorState] = field(default_factory=dict)
    changed: bool = True

    def note(self, sensor: Sensor, outcome: Outcome) -> None:
        """What became of a reading; the log is told of changes alone."""
        before = self.sensors.get(sensor.tail, SensorState())
        now = SensorState(outcome.state, outcome.why, outcome.value, before.since)
        if now.state != before.state:
            now.since, self.changed = self.time.clock.monotonic(), True
            level = logging.INFO if now.state in (OK, WAITING) else logging.WARNING
            log.log(level, "%s: %s%s", sensor.tail, now.state, f": {now.why}" if now.why else "")
        self.sensors[sensor.tail] = now

    def told(self) -> dict[str, Any]:
        """For the status: every sensor with its state."""
        self.changed = False
        return {tail: self._told(state) for tail, state in self.sensors.items()}

    def _told(self, state: SensorState) -> dict[str, Any]:
        told: dict[str, Any] = {"state": state.state}
        if state.value is not None:
            told["value"] = state.value
        if state.why:
            told["why"] = state.why
            told["for_s"] = round(self.time.clock.monotonic() - state.since)
        return told


def online(time: NodeTime, started: float, counts: dict[str, int], health: Health, trouble: str) -> dict[str, Any]:
    """The status of a node that runs. counts: waiting, dropped, damaged and so on."""
    wall = time.now()
    content: dict[str, Any] = {
        "state": "online",
        "version": __version__,
        "uptime_s": round(time.clock.monotonic() - started),
        "clock": time.words(),
        **counts,
    }
    if wall is not None:
        content["time"] = stamp(wall)
    if trouble:
        content["trouble"] = trouble
    return {**content, "sensors": health.told()}


OFFLINE = {"state": "offline"}
"""What the broker says in a node's name when it is gone."""
