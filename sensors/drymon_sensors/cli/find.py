"""`drymon-sensors find`: what the kernel offers, and a file to begin with."""

from __future__ import annotations

import argparse
import json
import os

from drymon_sensors.cli.common import machine_of
from drymon_sensors.config import usual_path
from drymon_sensors.errors import SetupError, words_of
from drymon_sensors.offers import Offer, offers
from drymon_sensors.tables import NAME_RULE, is_name

HEAD = """\
# What hangs where. After a change: sudo systemctl restart drymon-sensors; drymon-sensors check says what is wrong.

[node]
device = "{device}"        # this node's name; at the broker its user is called the same
room = "{room}"            # [room] name of room.toml

[broker]
host = "{host}"
password_file = "broker.password"   # beside this file; made by `sudo drymon-sensor {device}` on drymon's machine
# ca_file = "ca.crt"                # present: TLS, the broker's name verified

# One table for each thing that is measured. place: a rack of room.toml, or "room" for all of them. every_s: seconds
# between readings; samples: reads of which one reading is the median; plausible = [low, high]: beyond is a fault.
"""


def register(parser: argparse.ArgumentParser) -> None:
    """What it takes."""
    parser.add_argument(
        "--write",
        metavar="FILE",
        nargs="?",
        const=usual_path(),
        help="write a starting file, never over an existing one; without a name the usual one",
    )
    parser.add_argument("--device", default="node-1", metavar="NAME", help="the node's name (%(default)s)")
    parser.add_argument("--room", default="shop", metavar="NAME", help="the room's name (%(default)s)")
    parser.add_argument("--host", default="localhost", help="where the broker is (%(default)s)")


def run(args: argparse.Namespace) -> int:
    """List, and write where that is wanted."""
    for key in ("device", "room"):
        if not is_name(getattr(args, key)):
            raise SetupError(f"--{key}: received {getattr(args, key)!r}; allowed are {NAME_RULE}")
    found = offers(machine_of(args))
    for offer in found:
        print(offer.found)
        if offer.note:
            print(f"    {offer.note}")
    if not found:
        print("nothing found: is the sensor wired, and its overlay in config.txt? (wiring/air.md)")
    if args.write:
        _write(args.write, HEAD.format(device=args.device, room=args.room, host=args.host) + _tables(found))
        print(f"wrote {args.write}")
    return 0 if found else 1


def _write(path: str, text: str) -> None:
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
    except FileExistsError:
        raise SetupError(f"{path}: is there already; it is never written over: choose another name") from None
    except OSError as error:
        raise SetupError(f"{path}: {words_of(error)}") from None
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)


def _tables(found: list[Offer]) -> str:
    """The tables; those that need a person's numbers first are left commented out."""
    blocks = []
    for offer in found:
        for table in offer.tables:
            lines = ["[[sensor]]", *(f"{key} = {json.dumps(value)}" for key, value in table.items())]
            ready = "slope" not in table and "points" not in table and table["quantity"] != "surface"
            blocks.append("\n".join([f"# {offer.found}", *(lines if ready else [f"# {line}" for line in lines])]))
    return "".join(f"\n{block}\n" for block in blocks)
