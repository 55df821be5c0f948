"""`drymon-sensors check`: what is wrong, and what to do about it."""

from __future__ import annotations

import argparse
import json
import os
import shutil
import stat
from collections.abc import Iterator
from typing import NamedTuple

from drymon_sensors.cli.common import config_of, machine_of
from drymon_sensors.clock import NodeTime
from drymon_sensors.config import Config
from drymon_sensors.errors import BrokerError, NotYet, ReadError, SetupError
from drymon_sensors.link.talk import Talk
from drymon_sensors.payload import read_service, service_topic, status_topic
from drymon_sensors.quantities import QUANTITIES
from drymon_sensors.sampling import Sensor
from drymon_sensors.sources.base import Machine

OK, LOOK, WRONG = "ok", "look", "wrong"


class Finding(NamedTuple):
    """A line of the list."""

    level: str
    subject: str
    words: str


def register(parser: argparse.ArgumentParser) -> None:
    """It takes nothing more."""


def run(args: argparse.Namespace) -> int:
    """Print the findings; 1 where something is wrong, 2 where the configuration is."""
    machine = machine_of(args)
    config = config_of(args, machine)
    worst = OK
    for finding in findings(config, machine):
        print(f"{finding.level:<6} {finding.subject:<14} {finding.words}", flush=True)
        worst = WRONG if WRONG in (worst, finding.level) else worst
    return 1 if worst == WRONG else 0


def findings(config: Config, machine: Machine) -> Iterator[Finding]:
    """All of them, as they are found."""
    yield Finding(OK, "configuration", f"node {config.device} of room {config.room}, {len(config.sensors)} sensors")
    yield _clock(config, machine)
    yield _state(config)
    yield from _secrets(config)
    for sensor in config.sensors:
        yield _sensor(sensor, machine)
    yield from _broker(config)


def _clock(config: Config, machine: Machine) -> Finding:
    if NodeTime(machine.clock, config.clock_kept).trusted():
        return Finding(OK, "clock", "kept")
    words = "nobody keeps this computer's clock: readings get their time from drymon, after a minute of contact"
    return Finding(LOOK, "clock", words + "; a battery clock (clock_kept = true) or a time server is better")


def _state(config: Config) -> Finding:
    """Where the buffer lies."""
    folder = config.state
    while not os.path.exists(folder):
        folder = os.path.dirname(folder)
    if not os.access(folder, os.W_OK):
        return Finding(WRONG, "buffer", f"{config.state}: this user may not write there; `sudo -u drymon-sensors` may")
    free = shutil.disk_usage(folder).free / (1 << 20)
    if free < config.buffer.most_mb:
        return Finding(WRONG, "buffer", f"{free:.0f} MB free; the buffer may need {config.buffer.most_mb:g} MB")
    return Finding(OK, "buffer", f"{config.state}, at most {config.buffer.most_mb:g} MB")


def _secrets(config: Config) -> Iterator[Finding]:
    path = config.broker.password_file
    if path and os.path.exists(path) and os.stat(path).st_mode & stat.S_IROTH:
        yield Finding(LOOK, "password", f"{path} can be read by everybody: sudo chmod o= {path}")


def _sensor(sensor: Sensor, machine: Machine) -> Finding:
    try:
        value = _value(sensor, machine)
    except SetupError as error:
        return Finding(WRONG, "sensor", f"{sensor.tail}: {error}")
    except NotYet as error:
        return Finding(LOOK, "sensor", f"{sensor.tail}: {error}")
    except ReadError as error:
        return Finding(WRONG, "sensor", f"{sensor.tail}: {error} ({sensor.source.where()})")
    finally:
        sensor.source.close()
    low, high = sensor.plausible
    words = f"{sensor.tail}: {value:.6g} {QUANTITIES[sensor.quantity].unit}"
    if not low <= value <= high:
        return Finding(WRONG, "sensor", f"{words}; plausible are {low:g} to {high:g}: {sensor.source.seen}")
    return Finding(OK, "sensor", words)


def _value(sensor: Sensor, machine: Machine) -> float:
    """Twice, for a counter measures between two looks and a scale must be heard for a while."""
    try:
        return sensor.source.read()
    except ReadError:
        machine.clock.sleep(1.0)
        return sensor.source.read()


def _broker(config: Config) -> Iterator[Finding]:
    where = f"{config.broker.host}:{config.broker.port}"
    try:
        with Talk(config.broker) as talk:
            yield Finding(OK, "broker", f"{where} answers and lets us in")
            yield _service(talk.kept(service_topic(config.room)), config)
            yield _node(talk.kept(status_topic(config.device)))
    except (BrokerError, SetupError) as error:
        yield Finding(WRONG, "broker", str(error))


def _service(payload: bytes | None, config: Config) -> Finding:
    word = read_service(payload) if payload else None
    if word is None:
        return Finding(
            LOOK, "drymon", f"nothing heard of the room {config.room}: has drymon run, and is the room right?"
        )
    return Finding(OK, "drymon", "online") if word.online else Finding(LOOK, "drymon", "offline: readings wait here")


def _node(payload: bytes | None) -> Finding:
    """What the running node says of itself."""
    try:
        told = json.loads(payload or b"{}")
        state = told["state"]
    except (ValueError, KeyError, TypeError):
        return Finding(LOOK, "node", "does not run: sudo systemctl start drymon-sensors")
    if state != "online":
        return Finding(LOOK, "node", "does not run: sudo systemctl start drymon-sensors")
    counts = ", ".join(f"{told.get(key, 0)} {key}" for key in ("waiting", "dropped", "damaged"))
    if told.get("trouble"):
        return Finding(WRONG, "node", f"{told['trouble']} ({counts})")
    return Finding(LOOK if told.get("dropped") else OK, "node", f"running: {counts}")
