"""`drymon-sensors weigh`: a session at a scale with a tree, a witness or a wet cloth; each weighing is published."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass, field

from drymon_sensors.cli.common import chosen, clock_face, config_of, machine_of, session_of_machine
from drymon_sensors.clock import Clock, NodeTime, Taken, stamp
from drymon_sensors.errors import ReadError, SetupError, words_of
from drymon_sensors.quantities import MASS_UNITS
from drymon_sensors.sources.lines import Said, read_mass, step_of
from drymon_sensors.sources.scale import Scale
from drymon_sensors.tables import NAME_RULE, is_name
from drymon_sensors.typed import NOTHING, Delivery, Typed

STEADY_S = 30.0
LOOK_S = 0.1

HANG = (
    "Put {name} on the scale, off the wind of the fans. Enter takes a weighing, q ends.\n"
    "No heavy tree is lifted for a number's sake: a witness that hangs beside the trees does as well."
)
CLOTH = (
    "Wet the cloth, wring it until it no longer drips, weigh it, hang it where the tree would hang, and weigh it\n"
    "again after 15 to 30 minutes, before it is half dry. Enter takes a weighing, q ends."
)
ENOUGH_S = 600.0


def register(parser: argparse.ArgumentParser) -> None:
    """What it takes."""
    parser.add_argument("name", metavar="NAME", help="the tree, the witness or the cloth, as drymon knows it")
    parser.add_argument("--scale", metavar="S", help="which [[scale]], where the configuration has several")
    parser.add_argument("--typed", action="store_true", help="the mass is typed, such as 512.4 g")
    parser.add_argument("--every", type=float, metavar="MIN", help="weigh by itself every so many minutes")
    parser.add_argument("--cloth", action="store_true", help="it is a wet cloth: say how fast it dries")
    parser.add_argument("--by", metavar="WHO", default="", help="who weighs")
    parser.add_argument("--csv", metavar="FILE", help="write the weighings down there too")


def run(args: argparse.Namespace) -> int:
    """Lead through the session; 1 where some weighing has not reached drymon's broker yet."""
    if not is_name(args.name):
        raise SetupError(f"NAME: received {args.name!r}; allowed are {NAME_RULE}")
    machine = machine_of(args)
    config = config_of(args, machine)
    time = NodeTime(machine.clock, config.clock_kept)
    scale = None if args.typed else chosen(config.scales, args.scale, "scale")
    take = _typed if scale is None else (lambda: on_scale(scale, machine.clock))
    typed = Typed(config, time, session_of_machine())
    session = Session(args.name, typed, time, args.by)
    try:
        print((CLOTH if args.cloth else HANG).format(name=args.name))
        _weigh_on(session, take, None if args.every is None else 60.0 * args.every)
    except (KeyboardInterrupt, EOFError):
        print()
    finally:
        typed.close()
        if scale is not None:
            scale.close()
    return session.end(args.cloth, args.csv)


def on_scale(scale: Scale, clock: Clock, within_s: float = STEADY_S) -> Said:
    """Wait for a steady mass. ReadError where none comes."""
    end = clock.monotonic() + within_s
    why: ReadError | None = None
    while clock.monotonic() < end:
        try:
            return scale.steady_mass()
        except ReadError as error:
            why = error
        clock.sleep(LOOK_S)
    raise ReadError(f"no steady mass within {within_s:g} s: {why}")


def _typed() -> Said:
    while True:
        try:
            return read_mass(input("mass: "))
        except ValueError as error:
            print(f"  {error}")


def _weigh_on(session: Session, take: Callable[[], Said], every_s: float | None) -> None:
    """Until the person, or Ctrl-C, ends it."""
    while every_s is not None or take is _typed or not _ended():
        try:
            session.weigh(take())
        except ReadError as error:
            print(f"  {error}", file=sys.stderr)
        if every_s is not None:
            session.time.clock.sleep(every_s)


def _ended() -> bool:
    return input("> ").strip().lower() in ("q", "quit", "end", "stop")


@dataclass
class Session:
    """What was weighed."""

    name: str
    typed: Typed
    time: NodeTime
    by: str
    weighed: list[tuple[Said, Taken]] = field(default_factory=list)
    delivery: Delivery = NOTHING

    def weigh(self, said: Said) -> None:
        """Keep one weighing, hand it to the broker, say so. One below nothing is refused."""
        if said.value <= 0.0:
            raise ReadError(f"received {said.text} {said.unit}; allowed is more than nothing: is it on the scale?")
        taken = self.time.taken()
        self.typed.weigh(self.name, said, taken, self.by)
        self.weighed.append((said, taken))
        self.delivery = self.typed.deliver()
        fate = "sent" if not self.delivery.waiting else f"kept here, not sent: {self.delivery.why}"
        print(f"  {clock_face(self.time.clock.wall())}  {said.text} {said.unit}  {fate}", flush=True)

    def end(self, cloth: bool, csv: str | None) -> int:
        """The summary; 1 where something still waits."""
        if csv:
            self._write(csv)
        if len(self.weighed) > 1:
            print(self._summary(cloth))
        if self.delivery.waiting:
            print(f"{self.delivery.waiting} weighings wait here; the next `drymon-sensors weigh` sends them first")
        return 1 if self.delivery.waiting else 0

    def _summary(self, cloth: bool) -> str:
        (first, begun), (last, ended) = self.weighed[0], self.weighed[-1]
        grams = 1000.0 * (_kg(first) - _kg(last))
        hours = max(ended.running - begun.running, 1.0) / 3600.0
        step = max((step_of(said.text) for said, _ in self.weighed), default=0.0)
        text = (
            f"{len(self.weighed)} weighings, {grams:.4g} g lost in {60.0 * hours:.1f} min; "
            f"the scale's last digit is {step:g} {last.unit}"
        )
        if not cloth:
            return text
        rate = f"{text}\nthe cloth dries at {grams / hours:.3g} g/h"
        few = 1000.0 * step * MASS_UNITS[last.unit] * 20.0
        if grams < few or 3600.0 * hours < ENOUGH_S:
            return f"{rate}; too little to go by: weigh again after more time (at least {few:.3g} g, 10 min)"
        return rate

    def _write(self, path: str) -> None:
        lines = ["time,name,mass,unit"]
        for said, taken in self.weighed:
            moment = self.time.of(taken)
            lines.append(f"{stamp(moment) if moment is not None else ''},{self.name},{said.text},{said.unit}")
        try:
            with open(path, "x", encoding="utf-8") as file:
                file.write("\n".join(lines) + "\n")
        except OSError as error:
            print(f"--csv: {path}: {words_of(error)}", file=sys.stderr)


def _kg(said: Said) -> float:
    return said.value * MASS_UNITS[said.unit]
