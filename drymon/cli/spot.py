"""`drymon spot`: the temperature of a tree's open face, read off a hand-held thermometer and typed."""

import argparse
import sys
from typing import TYPE_CHECKING

from drymon.cli.parser import Commands
from drymon.drying.quantities import Quantity
from drymon.errors import LearningError, RefusedMessage, StoreError

if TYPE_CHECKING:
    from drymon.messages.message import Message
    from drymon.messages.settings import HomeConfig

WRONG_USE = 2


def register(subparsers: Commands) -> None:
    """Tell the command's arguments."""
    parser = subparsers.add_parser(
        "spot",
        help="a tree's surface temperature by a hand-held thermometer",
        description="Tell the temperature of a tree's wettest open face. A face that is colder than the air gives "
        "off water: the tree is not called ready. A warm one says nothing of pockets.",
    )
    parser.add_argument("tree", metavar="TREE")
    parser.add_argument("temperature", metavar="T[UNIT]", help="such as 18.4, 18.4C, 65.1F; Celsius without a unit")
    parser.add_argument("--rack", metavar="R", help="where it hangs; else where the record has it")


def run(args: argparse.Namespace) -> int:
    """Publish the reading; DrymonError where no broker takes it."""
    from drymon.cli.home import config_of
    from drymon.messages.names import name_of
    from drymon.messages.typed import quantity_of
    from drymon.shop.tree.probes import SMOOTHED_MIN

    config = config_of(args)
    try:
        celsius = quantity_of(Quantity.SURFACE, args.temperature)
        message = spot_message(config, name_of(args.tree), args.rack, celsius)
    except (LearningError, RefusedMessage, ValueError) as error:
        print(f"drymon spot: {error}", file=sys.stderr)
        return WRONG_USE
    from drymon.service.embedded import broker_of
    from drymon.service.publisher import publish_once

    broker = broker_of(config)
    publish_once(broker, message, mqtt5=config.broker is not None)
    said = f"{args.tree}: surface {celsius:.1f} \N{DEGREE SIGN}C, sent to {broker.host}:{broker.port}"
    print(f"{said}; it counts for {SMOOTHED_MIN} minutes")
    return 0


def spot_message(config: "HomeConfig", tree: str, rack: str | None, celsius: float) -> "Message":
    """The reading of a probe that has the tree's name. RefusedMessage says what is allowed."""
    from drymon.cli.home import wall
    from drymon.messages.message import Message
    from drymon.messages.outgoing import to_payload
    from drymon.messages.parse import Parser
    from drymon.messages.times import stamp
    from drymon.messages.topics import surface_topic

    now = wall()
    where = rack or _rack_of(config, tree)
    content = {"value": round(celsius, 2), "unit": "Cel", "time": stamp(now)}
    message = Message(now, surface_topic(config.room.name, where, tree), to_payload(content), qos=1)
    Parser(config).parse(message)  # what the service would refuse is better refused here
    return message


def _rack_of(config: "HomeConfig", tree: str) -> str:
    from drymon.cli.home import record_of

    try:
        with record_of(config) as record:
            verdicts = record.current_verdicts()
    except StoreError:
        verdicts = []
    racks = {verdict.tree: verdict.rack for verdict in verdicts}
    if tree not in racks:
        known = ", ".join(sorted(racks)) or "none yet: log its dip first"
        raise RefusedMessage(f"tree: received {tree!r}; on record are {known}; or say where it hangs with --rack")
    return racks[tree]
