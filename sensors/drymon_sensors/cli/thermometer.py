"""`drymon-sensors thermometer`: spot temperatures of a shell or wax, typed or by a hand-held thermometer."""

from __future__ import annotations

import argparse
import sys

from drymon_sensors.cli.common import chosen, clock_face, config_of, machine_of, session_of_machine
from drymon_sensors.clock import Clock, NodeTime
from drymon_sensors.config import NO_PLACES
from drymon_sensors.errors import ReadError, SetupError
from drymon_sensors.quantities import QUANTITIES
from drymon_sensors.sources.lines import Said, read_temperature
from drymon_sensors.sources.thermometer import Thermometer
from drymon_sensors.tables import NAME_RULE, is_name
from drymon_sensors.typed import Typed

LOOK_S = 0.1


def register(parser: argparse.ArgumentParser) -> None:
    """What it takes."""
    parser.add_argument("place", metavar="RACK", help="where it hangs")
    parser.add_argument("probe", metavar="PROBE", help="the probe's name, as the tree's dip said it")
    parser.add_argument("--typed", action="store_true", help="the temperature is typed, such as 19.4 or 66.9 F")
    parser.add_argument("--thermometer", metavar="T", help="which [[thermometer]], where there are several")
    parser.add_argument("--count", type=int, metavar="N", help="end after so many")


def run(args: argparse.Namespace) -> int:
    """Take readings until ended; 1 where some has not reached drymon's broker yet."""
    for key in ("place", "probe"):
        if not is_name(getattr(args, key)) or getattr(args, key) in NO_PLACES:
            raise SetupError(f"{key.upper()}: received {getattr(args, key)!r}; allowed are {NAME_RULE}")
    machine = machine_of(args)
    config = config_of(args, machine)
    time = NodeTime(machine.clock, config.clock_kept)
    source = None if args.typed else chosen(config.thermometers, args.thermometer, "thermometer")
    typed = Typed(config, time, session_of_machine())
    tail = f"{args.place}/surface/{args.probe}"
    waiting, taken = 0, 0
    print(
        "Hold it square to the shell, as near as it asks for. "
        + ("" if args.typed else "Press its button; ")
        + "Ctrl-C ends."
    )
    try:
        while args.count is None or taken < args.count:
            said = _typed() if source is None else on_thermometer(source, machine.clock)
            waiting = _say(typed, time, tail, said)
            taken += 1
    except (KeyboardInterrupt, EOFError):
        print()
    finally:
        typed.close()
        if source is not None:
            source.close()
    return 1 if waiting else 0


def on_thermometer(source: Thermometer, clock: Clock) -> Said:
    """Wait for the next temperature, told or not."""
    told = ""
    while True:
        try:
            return source.spot()
        except ReadError as error:
            if "nothing has come" not in str(error) and str(error) != told:
                told = str(error)
                print(f"  {told}", file=sys.stderr)
        clock.sleep(LOOK_S)


def _typed() -> Said:
    while True:
        text = input("temperature: ").strip()
        try:
            return read_temperature(text if text[-1:].isalpha() else f"{text} C")
        except ValueError as error:
            print(f"  {error}")


def _say(typed: Typed, time: NodeTime, tail: str, said: Said) -> int:
    """Keep one, hand it to the broker, say so; how many wait."""
    limits = QUANTITIES["surface"]
    celsius = said.value if said.unit == "Cel" else (said.value - 32.0) * 5.0 / 9.0
    if not limits.low <= celsius <= limits.high:
        print(
            f"  received {said.text} {said.unit}; possible are {limits.low:g} to {limits.high:g} Cel", file=sys.stderr
        )
        return 0
    typed.spot(tail, said, time.taken())
    delivery = typed.deliver()
    fate = "sent" if not delivery.waiting else f"kept here, not sent: {delivery.why}"
    print(f"  {clock_face(time.clock.wall())}  {said.text} {said.unit}  {fate}", flush=True)
    return delivery.waiting
