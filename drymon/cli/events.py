"""The log events, typed: `dip`, `weigh`, `felt`, `look`, `move`, `leave`, `undo`, `fan`; published to the broker."""

import argparse
import re
import sys
import time
import uuid
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from drymon.cli.home import config_of, record_of, wall
from drymon.cli.slips import WrongUse, ask_of_slips, warn_of_early_dip
from drymon.errors import RefusedMessage, StoreError
from drymon.messages.message import Message
from drymon.messages.names import label_of, name_of
from drymon.messages.outgoing import to_payload
from drymon.messages.parse import Parser
from drymon.messages.settings import HomeConfig
from drymon.messages.times import AHEAD, parse_time, stamp
from drymon.messages.topics import log_topic
from drymon.shop.facts.events import LogEvent, SlurryUndo, TreeEvent
from drymon.shop.facts.local_time import clock
from drymon.shop.facts.outcome import Verdict
from drymon.shop.facts.slips import did_you_mean
from drymon.store import Store, is_in_use
from drymon.store.strangers import no_such_tree, nothing_taken
from drymon.views import by_hand

COULD_NOT, WRONG_USE = 1, 2
SETTLED_S = 2.0  # within which a running service has a dip on record
_MASS = re.compile(r"([-+]?[0-9]*[.,]?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*([A-Za-z]*)")
_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")


def run(args: argparse.Namespace) -> int:
    """Publish the event; DrymonError where no broker takes it."""
    return say(args, event_message)


def say(args: argparse.Namespace, message_of: Callable[[HomeConfig, Mapping[str, Any], datetime], Message]) -> int:
    """Publish what `message_of` makes of the words; DrymonError where no broker takes it."""
    config, now = config_of(args), wall()
    try:
        message = message_of(config, vars(args), now)
        event = by_hand.event_of(config, message)
        ask_of_slips(config, event, sure=getattr(args, "sure", False))
    except (WrongUse, RefusedMessage) as error:
        print(f"drymon {args.command}: {error}", file=sys.stderr)
        return WRONG_USE
    runs = is_in_use(config.database)
    if told := _stranger(config, event, SETTLED_S if runs else 0.0):
        then = "nothing was sent" if runs else "it is sent all the same, for the tree's dip may wait in the broker"
        print(f"drymon {args.command}: {told}; {then}", file=sys.stderr)
        if runs:
            return COULD_NOT
    warn_of_early_dip(config, event)
    from drymon.cli.answer import send_and_answer

    return send_and_answer(config, message, event, runs)


def _stranger(config: HomeConfig, event: LogEvent, patience_s: float) -> str:
    """What is wrong with the tree or tank that the event names, where the home's record knows; "" where nothing is.

    A dip that was said just now is waited for.
    """
    if not isinstance(event, TreeEvent | SlurryUndo):
        return ""
    until = time.monotonic() + patience_s
    try:
        with record_of(config) as record:
            while (told := _unknown(record, event)) and time.monotonic() < until:
                time.sleep(0.1)
    except StoreError:
        return ""  # nothing recorded yet, or on another machine
    return told


def _unknown(record: Store, event: TreeEvent | SlurryUndo) -> str:
    return nothing_taken(record, event) if isinstance(event, SlurryUndo) else no_such_tree(record, event)


def event_message(config: HomeConfig, words: Mapping[str, Any], now: datetime) -> Message:
    """The log event that the words tell. WrongUse or RefusedMessage say what is allowed."""
    name = words["command"]
    return typed_message(config, name, _content(config, name, words), words, now)


def typed_message(
    config: HomeConfig, name: str, content: Mapping[str, Any], words: Mapping[str, Any], now: datetime
) -> Message:
    """The log event of this name and content, by whom and for when the words say. Errors as in `event_message`."""
    content = {"by": words["by"], **content}
    moment = typed_at(words["at"], now, config.room.timezone)
    content["time"] = stamp(moment)
    content["id"] = uuid.uuid4().hex
    said = {key: value for key, value in content.items() if value is not None}
    message = Message(now, log_topic(config.room.name, name), to_payload(said), qos=1)
    Parser(config).parse(message)  # what the service would refuse is better refused here
    _tell_other_day(words, moment, now, config.room.timezone)
    return message


def _content(config: HomeConfig, name: str, words: Mapping[str, Any]) -> dict[str, Any]:
    if name == "fan":
        return {"rack": words["subject"], "on": words["switch"] == "on"}
    subject = _tree(words["subject"])
    match name:
        case "dip":
            return {"tree": subject, "label": label_of(words["subject"]) or None, **_dip(config, subject, words)}
        case "weigh":
            return {"tree": subject, **_mass(" ".join(words["mass"]))}
        case _:
            keys = ("finding", "where", "note", "rack", "cell", "entry")
            return {"tree": subject, **{key: words.get(key) for key in keys}}


def _tree(written: str) -> str:
    try:
        return name_of(written)
    except ValueError as error:
        raise WrongUse(f"tree: {error}") from None


def _dip(config: HomeConfig, tree: str, words: Mapping[str, Any]) -> dict[str, Any]:
    last = _last_verdict(config, tree)
    coat = words["coat"] or _next_coat(config, tree, last, words["recipe"], words["number"])
    rack = words["rack"] or (last.rack if last else None) or _only_rack(config, tree)
    keys = ("shelter", "number", "cell", "probe", "recipe", "slurry")
    return {"rack": rack, "coat": coat, **{key: words[key] for key in keys}}


def _last_verdict(config: HomeConfig, tree: str) -> Verdict | None:
    try:
        with record_of(config) as record:
            return next((v for v in record.current_verdicts() if v.tree == tree), None)
    except StoreError:
        return None  # nothing recorded yet


def _next_coat(config: HomeConfig, tree: str, last: Verdict | None, recipe: str | None, number: int | None) -> str:
    if recipe is not None:
        return _coat_of(config, tree, recipe, number or (last.number + 1 if last else 1))
    if last is not None and last.next_coat:
        return last.next_coat
    why = "is new here" if last is None else "has no next coat by its recipe"
    raise WrongUse(f"{tree} {why}: say which coat was put on, one of {', '.join(config.room.coat_by_name)}")


def _coat_of(config: HomeConfig, tree: str, recipe: str, number: int) -> str:
    """The coat that the recipe typed has at this number: what is typed wins over what was before."""
    named = config.room.recipe_by_name.get(recipe)
    if named is None:
        known = did_you_mean(recipe, config.room.recipe_by_name)
        raise WrongUse(f"--recipe: received {recipe!r}; in room.toml are {known}; or say which coat was put on")
    if not 1 <= number <= len(named.coats):
        raise WrongUse(f"coat {number} of {tree} is none of the {len(named.coats)} of {recipe}: say which was put on")
    return named.coats[number - 1]


def _only_rack(config: HomeConfig, tree: str) -> str:
    racks = config.room.racks
    if len(racks) == 1:
        return racks[0].name
    raise WrongUse(f"{tree} is new here: say where it hangs with --rack, one of {', '.join(r.name for r in racks)}")


def _mass(text: str) -> dict[str, Any]:
    match = _MASS.fullmatch(text.strip())
    if match is None:
        raise WrongUse(f"mass: received {text!r}; allowed is a number and a unit, such as 12.4, 12.4kg or 27.3lb")
    return {"mass": float(match[1].replace(",", ".")), "unit": match[2] or None}


def typed_at(text: str | None, now: datetime, timezone: str) -> datetime:
    """When it was, by what was typed after `--at`; now where nothing was."""
    if text is None:
        return now
    clock = _CLOCK.fullmatch(text)
    if clock is None:
        try:
            return parse_time(text)
        except ValueError:
            raise WrongUse(f'--at: received {text!r}; allowed is 14:05, or RFC 3339 "2031-03-03T06:00:00Z"') from None
    return _last_shown(int(clock[1]), int(clock[2]), now, timezone)


def _last_shown(hour: int, minute: int, now: datetime, timezone: str) -> datetime:
    """When the room's clock showed it last; the clock on the wall may run ahead as far as a sensor's may."""
    today = now.astimezone(ZoneInfo(timezone)).replace(hour=hour, minute=minute, second=0, microsecond=0)
    shown = [
        (today + timedelta(days=day)).replace(fold=fold).astimezone(now.tzinfo) for day in (-1, 0, 1) for fold in (0, 1)
    ]
    return max(moment for moment in shown if moment <= now + AHEAD)


def _tell_other_day(words: Mapping[str, Any], moment: datetime, now: datetime, timezone: str) -> None:
    """A time that has not come yet today was meant as another one, or is of yesterday's last shift."""
    zone = ZoneInfo(timezone)
    local = moment.astimezone(zone)
    if _CLOCK.fullmatch(words["at"] or "") and local.date() != now.astimezone(zone).date():
        print(
            f"drymon {words['command']}: --at {words['at']} is taken as {local:%A, %Y-%m-%d %H:%M}, not today: the "
            f"room's clock ({timezone}) shows {clock(now, zone)}; for another time give its date",
            file=sys.stderr,
        )
