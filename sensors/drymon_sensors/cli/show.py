"""`drymon-sensors show`: live values, and what they are made of."""

from __future__ import annotations

import argparse
import sys

from drymon_sensors.cli.common import config_of, machine_of
from drymon_sensors.errors import NotYet, ReadError, SetupError
from drymon_sensors.quantities import QUANTITIES
from drymon_sensors.sampling import Sensor


def register(parser: argparse.ArgumentParser) -> None:
    """What it takes."""
    parser.add_argument("sensor", nargs="*", help="only these, as place/quantity or place/quantity/name")
    parser.add_argument("--once", action="store_true", help="one round, then end; 1 where a sensor gives nothing")
    parser.add_argument("--every", type=float, default=2.0, metavar="S", help="seconds between rounds (%(default)g)")


def run(args: argparse.Namespace) -> int:
    """Show until interrupted."""
    machine = machine_of(args)
    sensors = _wanted(config_of(args, machine).sensors, args.sensor)
    try:
        well = _round(sensors)
        if any(state is None for state in well):  # counters need a moment between two looks
            machine.clock.sleep(max(args.every, 0.2))
            well = _round(sensors)
        while not args.once:
            machine.clock.sleep(max(args.every, 0.2))
            print()
            _round(sensors)
    finally:
        for sensor in sensors:
            sensor.source.close()
    return 0 if all(well) else 1


def _wanted(sensors: tuple[Sensor, ...], named: list[str]) -> list[Sensor]:
    found = [sensor for sensor in sensors if not named or sensor.tail in named]
    unknown = set(named) - {sensor.tail for sensor in sensors}
    if unknown or not found:
        there = ", ".join(sensor.tail for sensor in sensors) or "none"
        raise SetupError(
            f"sensor: received {', '.join(sorted(unknown)) or 'nothing'}; in the configuration are {there}"
        )
    return found


def _round(sensors: list[Sensor]) -> list[bool | None]:
    """One line for each; whether each gave a value, None where it needs more time."""
    width = max(len(sensor.tail) for sensor in sensors)
    states = []
    for sensor in sensors:
        state, words = _look(sensor)
        states.append(state)
        print(f"{sensor.tail:<{width}}  {words}")
    sys.stdout.flush()
    return states


def _look(sensor: Sensor) -> tuple[bool | None, str]:
    unit = QUANTITIES[sensor.quantity].unit
    try:
        value = sensor.source.read()
    except NotYet as error:
        return None, f"-  ({error})"
    except ReadError as error:
        seen = f"  (last seen: {sensor.source.seen})" if sensor.source.seen else ""
        return False, f"-  {error}{seen}"
    low, high = sensor.plausible
    beyond = "" if low <= value <= high else f"  NOT PLAUSIBLE: allowed are {low:g} to {high:g} {unit}"
    return not beyond, f"{value:.6g} {unit}{beyond}  ({sensor.source.seen})"
