"""What the commands share."""

from __future__ import annotations

import argparse
import os
import secrets
from collections.abc import Mapping
from datetime import datetime
from typing import TypeVar

from drymon_sensors.clock import boot_of_machine
from drymon_sensors.config import Config, load, usual_path
from drymon_sensors.errors import SetupError
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.kernel import SYS, Kernel

Thing = TypeVar("Thing")


def machine_of(args: argparse.Namespace) -> Machine:
    """This machine; its kernel's files where --sys or $DRYMON_SENSORS_SYS say."""
    return Machine(Kernel(args.sys or os.environ.get("DRYMON_SENSORS_SYS") or SYS))


def config_of(args: argparse.Namespace, machine: Machine | None = None) -> Config:
    """The configuration that is meant."""
    return load(args.config or usual_path(), machine or machine_of(args))


def chosen(things: Mapping[str, Thing], name: str | None, what: str) -> Thing:
    """The [[scale]] or [[thermometer]] that is meant. SetupError where that is not clear."""
    if name is None and len(things) == 1:
        return next(iter(things.values()))
    if name is None or name not in things:
        there = ", ".join(things) or f"none yet: add a [[{what}]], or use --typed"
        raise SetupError(f"--{what}: received {name or 'nothing'}; in the configuration are {there}")
    return things[name]


def session_of_machine() -> str:
    """What tells this boot of the machine from others; where the kernel does not say, this start of the program."""
    return boot_of_machine() or secrets.token_hex(6)


def clock_face(wall: float) -> str:
    """A moment for people, on this machine's clock."""
    return datetime.fromtimestamp(wall).strftime("%H:%M:%S")  # noqa: DTZ006 - for people, local time is meant
