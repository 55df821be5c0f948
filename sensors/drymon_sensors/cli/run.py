"""`drymon-sensors run`."""

from __future__ import annotations

import argparse
import ctypes
import logging
import os
import signal

from drymon_sensors.cli.common import config_of, machine_of, session_of_machine
from drymon_sensors.errors import SetupError
from drymon_sensors.node import Node


def register(parser: argparse.ArgumentParser) -> None:
    """It takes nothing more."""


def run(args: argparse.Namespace) -> int:
    """Run the node until a signal ends it."""
    # Where the service manager reads, it writes the time itself.
    stamp = "" if "JOURNAL_STREAM" in os.environ else "%(asctime)s "
    logging.basicConfig(level=logging.INFO, format=f"{stamp}%(levelname)s %(message)s")
    machine = machine_of(args)
    config = config_of(args, machine)
    if not config.sensors:
        raise SetupError("no [[sensor]] in the configuration; `drymon-sensors find` lists what there is")
    node = Node(config, machine.clock, session_of_machine())
    _give_memory_back()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: node.stop())
    node.run()
    return 0


def _give_memory_back() -> None:
    """What starting needed and running does not, some 4 MB: glibc would keep it, and a small computer has little."""
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (OSError, AttributeError):  # another libc
        return
