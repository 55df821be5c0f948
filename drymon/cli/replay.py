"""`drymon replay`."""

import argparse
from pathlib import Path

from drymon.cli.parser import Commands


def register(subparsers: Commands) -> None:
    """Tell the command's arguments."""
    parser = subparsers.add_parser(
        "replay",
        help="play recorded streams through the same path",
        description="Play recorded streams into a home, in stream time, as fast as it goes. Nobody is notified. "
        "The home must not be one that `drymon serve` has used.",
    )
    parser.add_argument("streams", metavar="STREAM", nargs="+", type=Path, help="a .jsonl or .jsonl.gz file")
    parser.add_argument("--out", metavar="FILE", type=Path, help="write every outgoing message, as a recorded stream")


def run(args: argparse.Namespace) -> int:
    """Play the streams."""
    from drymon.cli.home import config_of, warn_of_models
    from drymon.service.replay import replay

    config = config_of(args)
    warn_of_models(config)
    count = replay(config, args.streams, args.out)
    print(f"{count} messages played")
    return 0
