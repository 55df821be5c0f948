"""`drymon serve`."""

import argparse
import signal
import sys

from drymon.cli.home import config_of
from drymon.cli.parser import Commands


def register(subparsers: Commands) -> None:
    """Tell the command's arguments."""
    subparsers.add_parser(
        "serve",
        help="listen, record, judge, publish, alert, show the page",
        description="Serve one room until stopped (Ctrl-C or SIGTERM). Logs go to stderr.",
    )


def run(args: argparse.Namespace) -> int:
    """Serve until told to stop."""
    config = config_of(args, secrets=True)
    from drymon.service.logs import log_to_stderr
    from drymon.service.serve import Service
    from drymon.web.server import PageServer

    log_to_stderr()
    service = Service(config, make_page=PageServer)
    for each in (signal.SIGTERM, signal.SIGINT):
        signal.signal(each, lambda *_: service.stop.set())
    service.run()
    sys.stderr.flush()
    return 0
