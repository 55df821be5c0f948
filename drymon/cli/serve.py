"""`drymon serve`."""

import argparse
import os
import signal
import sys

from drymon.cli.home import config_of
from drymon.cli.parser import Commands
from drymon.messages.settings import HomeConfig


def register(subparsers: Commands) -> None:
    """Tell the command's arguments."""
    subparsers.add_parser(
        "serve",
        help="listen, record, judge, publish, alert, show the page",
        description="Serve one room until stopped (Ctrl-C or SIGTERM). Logs go to stderr. Where room.toml names a "
        "database that rooms share and another process serves the room, this one stands by and takes over.",
    )


def run(args: argparse.Namespace) -> int:
    """Serve until told to stop."""
    config = config_of(args, secrets=True)
    from drymon.service.logs import log_to_stderr
    from drymon.service.serve import Service
    from drymon.service.turns import Turns
    from drymon.web.server import PageServer

    log_to_stderr()

    def make(config: HomeConfig) -> Service:
        service: Service = Service(config, make_page=lambda *its: PageServer(*its, start_anew=service.start_anew))
        return service

    turns = Turns(config, make)
    for each in (signal.SIGTERM, signal.SIGINT):
        signal.signal(each, lambda *_: turns.stop.set())
    served = turns.run()
    sys.stderr.flush()
    if served is not None and served.anew:
        _start_anew()
    return 0


def _start_anew() -> None:
    """Become a fresh process under the same number: whoever watches over the service sees it run on."""
    from drymon.service import systemd
    from drymon.service.serve import LONGEST_START_S

    systemd.tell(f"WATCHDOG_USEC={LONGEST_START_S * 1_000_000}", "WATCHDOG=1")
    os.execv(sys.executable, [sys.executable, *sys.orig_argv[1:]])
