"""`drymon page`: all rooms of a foundry on one page."""

import signal
from argparse import Namespace
from pathlib import Path

from drymon.cli.parser import Commands

PORT = 8470


def register(commands: Commands) -> None:
    """Say what `page` takes."""
    parser = commands.add_parser(
        "page",
        help="all rooms on one page",
        description="Shows all rooms whose homes lie in one folder on one page, until stopped (Ctrl-C or SIGTERM): "
        "what is ready, what endangers shells, which sensors are silent, with a way to each room's own page. It reads "
        "records and writes nothing. A room whose own page asks for a password tells nothing here before this browser "
        "has signed in there.",
    )
    parser.add_argument("--homes", metavar="DIR", required=True, help="the folder in which the homes lie")
    parser.add_argument("--host", metavar="HOST", default="127.0.0.1", help="address to open (default: 127.0.0.1)")
    parser.add_argument("--port", metavar="PORT", type=int, default=PORT, help=f"port to open (default: {PORT})")


def run(args: Namespace) -> int:
    """Show it until told to stop."""
    from drymon.errors import SetupError
    from drymon.messages.home import homes_in
    from drymon.messages.settings import Page
    from drymon.service.logs import log_to_stderr
    from drymon.web.rooms import RoomsServer

    folder = Path(args.homes)
    if not folder.is_dir():
        raise SetupError(f"--homes: received {args.homes!r}; there is no such folder")
    if not 1 <= args.port <= 65535:
        raise SetupError(f"--port: received {args.port}; allowed is 1 to 65535")
    log_to_stderr()
    server = RoomsServer(folder, Page(args.host, args.port))
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    print(f"{len(homes_in(folder))} rooms at http://{args.host}:{args.port}/", flush=True)
    try:
        server.run()
    except KeyboardInterrupt:
        server.stop()
    return 0
