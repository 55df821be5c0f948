"""Slips in what is typed: refused or asked about before it is sent; an early dip is warned of, and sent."""

import sys

from drymon.cli.home import record_of
from drymon.errors import StoreError
from drymon.messages.settings import HomeConfig
from drymon.shop.facts.events import Dip, LogEvent
from drymon.views import by_hand


class WrongUse(ValueError):
    """The words make no event; the text says what is allowed."""


def ask_of_slips(config: HomeConfig, event: LogEvent, sure: bool) -> None:
    """WrongUse where the event names what is not there, or is strange and whoever types does not insist."""
    if told := by_hand.mistyped(config.room, event):
        raise WrongUse(f"{told}; nothing was sent")
    try:
        with record_of(config) as record:
            strange = "" if sure else by_hand.doubtful(record, config.room, event)
    except StoreError:
        return  # nothing recorded yet, or on another machine
    if strange and not _insists(strange):
        raise WrongUse(f"{strange}. Nothing was sent; where it is right, say it again with --sure")


def _insists(strange: str) -> bool:
    """Ask at the terminal whether the value is right. False without a terminal."""
    if not sys.stdin.isatty():
        return False
    print(f"{strange}. Is it right all the same? [y/N] ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip().casefold() in ("y", "yes")


def warn_of_early_dip(config: HomeConfig, event: LogEvent) -> None:
    """As the page does; the dip is logged all the same, for it has been done."""
    if not isinstance(event, Dip):
        return
    try:
        with record_of(config) as record:
            said = by_hand.in_force(record, event.tree, event.time)
            slurry = by_hand.tank_told(record, config.room, event.coat, event.time, event.slurry)
    except StoreError:
        return
    if slurry:
        print(f"drymon dip: {slurry}", file=sys.stderr)
    told = by_hand.early(said)
    if told and event.number != 1:  # a first coat is another tree's
        undo = f"drymon undo {event.tree}"
        print(f"drymon dip: {told}. It is logged; if it has not been done, wait, and say: {undo}", file=sys.stderr)
