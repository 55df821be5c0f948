"""`drymon serve`."""

import argparse
import os
import signal
import sys
import threading
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from drymon.cli.parser import Commands

if TYPE_CHECKING:
    from drymon.messages.settings import HomeConfig

_NEEDED = (
    "drymon.service.serve",
    "drymon.service.turns",
    "drymon.views.page.app",
    "drymon.web.server",
    "waitress.server",
)
"""What a room's process imports: done before processes are forked, so that all of them share it."""


def register(subparsers: Commands) -> None:
    """Tell the command's arguments."""
    parser = subparsers.add_parser(
        "serve",
        help="listen, record, judge, publish, alert, show the page",
        description="Serve one room until stopped (Ctrl-C or SIGTERM). Logs go to stderr. Where room.toml names a "
        "database that rooms share and another process serves the room, this one stands by and takes over. With "
        "several homes a process for each room is started, watched over, and started again where it ends.",
    )
    parser.add_argument(
        "--home",
        metavar="DIR",
        dest="homes",
        action="append",
        default=[],
        help="the room's home folder (else $DRYMON_HOME, else the platform's data folder); again for more rooms",
    )


def run(args: argparse.Namespace) -> int:
    """Serve until told to stop."""
    homes = [*([args.home] if args.home else []), *args.homes]
    return _serve_one(homes[0] if homes else None) if len(homes) < 2 else _serve_all(homes)


def _serve_all(homes: list[str]) -> int:
    from drymon.messages.coat_models import load_models
    from drymon.messages.config import load_home
    from drymon.service.logs import log_to_stderr
    from drymon.service.room_images import FOLDED_BY, sources
    from drymon.service.rooms import serve_all
    from drymon.shop.fold.room import Room

    configs = [load_home(Path(home)) for home in homes]
    for module in _NEEDED:
        import_module(module)
    if any(config.store_url for config in configs):
        with suppress(ImportError):  # each room tells that its driver is not installed
            import_module("drymon.store.postgres")
    # What each room would work out for itself at its start is worked out here, and shared: what all of them draw from,
    # and the checksum of the sources.
    Room(configs[0].room, load_models(configs[0].path))
    sources(FOLDED_BY)
    log_to_stderr()
    stop = threading.Event()
    for each in (signal.SIGTERM, signal.SIGINT):
        signal.signal(each, lambda *_: stop.set())
    serve_all(configs, stop, _serve_in_child)
    return 0


def _serve_in_child(home: Path) -> int:
    from drymon.cli.main import main

    return main(["serve", "--home", str(home)])


def _serve_one(home: str | None) -> int:
    from drymon.cli.home import config_of

    config = config_of(argparse.Namespace(home=home), secrets=True)
    from drymon.service.logs import log_to_stderr
    from drymon.service.serve import Service
    from drymon.service.turns import Turns
    from drymon.web.server import PageServer

    log_to_stderr()

    def make(config: "HomeConfig") -> Service:
        service: Service = Service(config, make_page=lambda *its: PageServer(*its, start_anew=service.start_anew))
        return service

    turns = Turns(config, make)
    for each in (signal.SIGTERM, signal.SIGINT):
        signal.signal(each, lambda *_: turns.stop.set())
    served = turns.run()
    sys.stderr.flush()
    if served is not None and served.anew:
        _start_anew(["--home", home] if home else [])
    return 0


def _start_anew(words: list[str]) -> None:
    """Become a fresh process under the same number: whoever watches over the service sees it run on."""
    from drymon.service import systemd
    from drymon.service.serve import LONGEST_START_S

    systemd.tell(f"WATCHDOG_USEC={LONGEST_START_S * 1_000_000}", "WATCHDOG=1")
    os.execv(sys.executable, [sys.executable, "-P", "-m", "drymon.cli", "serve", *words])
