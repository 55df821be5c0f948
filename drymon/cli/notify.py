"""`drymon notify`: who is told, whether it works, and what still waits."""

import sys
from argparse import Namespace
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from drymon.cli.parser import Commands
from drymon.errors import SetupError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from drymon.messages.settings import HomeConfig
    from drymon.service.notify.letters import Letter, Way


def register(subparsers: Commands) -> None:
    """Say what `notify` takes."""
    parser = subparsers.add_parser(
        "notify",
        help="who is told, whether it works, what waits",
        description="Without a word: the ways by which people are told, and what waits to be delivered. With --test: "
        "sends a test message by every way at once and says which of them worked.",
    )
    parser.add_argument("--test", action="store_true", help="send a test message by every way now")


def run(args: Namespace) -> int:
    """Show or try the ways; 1 where one of them failed."""
    from drymon.cli.home import config_of
    from drymon.service.notify.ways import ways_of

    config = config_of(args)
    found = ways_of(config)
    if not found:
        raise SetupError(
            f"{config.path / 'room.toml'}: tells nobody; add [notify.mail_server] with [[notify.mail]], "
            "[[notify.webhook]] or [[notify.apprise]]"
        )
    if args.test:
        return max(_test(config, way) for way in found)
    _show(config, found)
    return 0


@dataclass(frozen=True)
class _Trial:
    payload: "Mapping[str, Any]"
    key: str
    created: datetime


def _test(config: "HomeConfig", way: "Way") -> int:
    from drymon.cli.home import wall
    from drymon.service.notify.letters import plain_letter
    from drymon.service.notify.ways import FAILURES, deliver, describe, why

    now = wall()
    text = "This is a test of drymon. If you read it, this way of telling you works; nothing is wrong."
    letter: Letter = plain_letter(config.room.name, way, "test", "test message", text, now)
    try:
        deliver(config, way, _Trial(letter.payload, letter.key, now), now)
    except FAILURES as error:
        print(f"{way.name} ({describe(way)}): FAILED: {why(error)}", file=sys.stderr)
        return 1
    print(f"{way.name} ({describe(way)}): delivered")
    return 0


def _show(config: "HomeConfig", found: "list[Way]") -> None:
    from drymon.cli.home import record_of, wall
    from drymon.service.notify.ways import describe
    from drymon.shop.facts.local_time import say

    for way in found:
        print(f"{way.name}: {describe(way)}, {', '.join(way.route.kinds) or f'from {way.route.least_severity} up'}")
    with record_of(config) as record:
        waiting, last = record.notices(), record.last_delivered()
    print(f"last delivered: {say(last, wall(), config.room.timezone) if last else 'never'}")
    for notice in waiting:
        since = say(notice.created, wall(), config.room.timezone)
        print(f"waits since {since} for {notice.channel}: {notice.error or 'not tried yet'}")
