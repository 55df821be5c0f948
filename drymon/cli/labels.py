"""`drymon labels`: a sheet of labels with QR codes that open a tree's or a rack's page."""

import sys
from argparse import Namespace
from typing import TYPE_CHECKING

from drymon.cli.parser import Commands

if TYPE_CHECKING:
    from drymon.messages.settings import HomeConfig


def register(subparsers: Commands) -> None:
    """Say what `labels` takes."""
    parser = subparsers.add_parser(
        "labels",
        help="labels with QR codes for trees and racks",
        description="Draws A4 sheets of labels, 24 to a sheet, each with a name and a QR code (ISO/IEC 18004) "
        "that opens its page on a phone. Without --trees and --racks: all racks of room.toml. A tree "
        "may be labelled before its first dip: its page then offers to log it.",
    )
    parser.add_argument("--trees", nargs="+", default=[], metavar="TREE", help="names of trees, such as t-1 t-2")
    parser.add_argument("--racks", nargs="*", metavar="RACK", help="names of racks; without a name: all of them")
    parser.add_argument("--out", required=True, metavar="FILE", help="a .pdf or .svg file")
    parser.add_argument("--url", metavar="URL", help="how phones reach the page, else from [page]: http://HOST:PORT")


def run(args: Namespace) -> int:
    """Draw the sheets and say where they are."""
    from drymon.cli.home import config_of, file_to_write
    from drymon.views.page.labels import Label, draw_labels

    config = config_of(args)
    base = (args.url or _base(config)).rstrip("/")
    room = config.room.label or config.room.name
    wanted = [Label(called, room, f"{base}/{path}") for called, path in _trees(args.trees)]
    for name in _racks(config, args):
        wanted.append(Label(name, config.room.rack_by_name[name].label or "rack", f"{base}/rack/{name}"))
    for file in draw_labels(wanted, file_to_write(args.out, config.path)):
        print(file)
    return 0


def _trees(written: list[str]) -> list[tuple[str, str]]:
    """What people call each tree, and where its page is; a name that is not as people write it goes with the label."""
    from urllib.parse import quote

    from drymon.errors import SetupError
    from drymon.messages.names import label_of, name_of

    found = []
    for called in written:
        try:
            name, label = name_of(called), label_of(called)
        except ValueError as error:
            raise SetupError(f"--trees: {error}") from None
        found.append((label or name, f"tree/{name}" + (f"?label={quote(label)}" if label else "")))
    return found


def _racks(config: "HomeConfig", args: Namespace) -> list[str]:
    from drymon.errors import SetupError

    known = list(config.room.rack_by_name)
    if args.racks is None:
        return [] if args.trees else known
    for name in args.racks:
        if name not in known:
            raise SetupError(f"--racks: received {name!r}; racks of this room: {', '.join(known)}")
    return args.racks or known


def _base(config: "HomeConfig") -> str:
    """The page's address as phones see it."""
    import socket

    from drymon.messages.settings import is_loopback

    host = config.page.host
    if is_loopback(host):
        print(f"the page listens on {host}, which no phone reaches: set [page] host, or give --url", file=sys.stderr)
    if host in ("0.0.0.0", "::"):
        host = f"{socket.gethostname().partition('.')[0].lower()}.local"
    return f"http://[{host}]:{config.page.port}" if ":" in host else f"http://{host}:{config.page.port}"
