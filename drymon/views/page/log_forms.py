"""What a form on the page says, as a log event: the same road as every other message of the shop."""

import re
import secrets
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from drymon.errors import RefusedMessage, SetupError
from drymon.messages.message import Message
from drymon.messages.outgoing import to_payload
from drymon.messages.parse import Parser
from drymon.messages.settings import HomeConfig
from drymon.messages.times import stamp
from drymon.messages.topics import log_topic
from drymon.messages.typed_times import typed_time

Form = Mapping[str, str]

TEXTS: Mapping[str, tuple[str, ...]] = {
    "dip": ("tree", "trees", "rack", "coat", "shelter", "cell", "recipe", "label", "slurry"),
    "weigh": ("tree", "unit"),
    "felt": ("tree", "finding", "where"),
    "look": ("tree", "finding", "note"),
    "move": ("tree", "rack", "cell"),
    "leave": ("tree",),
    "undo": ("tree", "slurry", "entry"),
    "slurry": ("slurry", "cup", "note"),
    "fan": ("rack",),
}
"""The events that the page may say, and their fields of text."""

LONGEST_BACK_MIN = 24 * 60
_NUMBER = re.compile(r"\s*([0-9]{1,6}(?:[.,][0-9]{1,6})?)\s*\Z")


def event_message(config: HomeConfig, event: str, form: Form, by: str, now: datetime) -> Message:
    """The message that a filled form makes. RefusedMessage says what was received and what is allowed."""
    if event not in TEXTS:
        raise RefusedMessage(f"received the event {event!r}; allowed are {', '.join(TEXTS)}")
    content: dict[str, Any] = {key: form[key].strip() for key in TEXTS[event] if form.get(key, "").strip()}
    content |= _MORE.get(event, _nothing)(form)
    if "trees" in content:
        content["trees"] = content["trees"].split(",")
    if event == "dip" and "coat" not in content:
        content["coat"] = _coat_of_recipe(config, content)
    if (moment := _moment(config, form, now)) is not None:
        content["time"] = stamp(moment.replace(microsecond=0))
    content |= {"by": by, "id": f"page-{secrets.token_hex(12)}"}
    message = Message(now, log_topic(config.room.name, event), to_payload(content), qos=1)
    Parser(config).parse(message)  # what the service would refuse is better refused here, where the person stands
    return message


def changed_fields(config: HomeConfig, form: Form, was: datetime, now: datetime) -> dict[str, Any]:
    """What a form changes of an entry: its time (`was` where none is given) and, where it has one, its mass."""
    moment = _moment(config, form, now)
    new: dict[str, Any] = {"time": stamp(was if moment is None else moment.replace(microsecond=0))}
    if form.get("mass", "").strip():
        new |= {**_weigh(form), "unit": form.get("unit", "kg")}
    return new


def _nothing(form: Form) -> dict[str, Any]:
    return {}


def _dip(form: Form) -> dict[str, Any]:
    number = form.get("number", "").strip()
    if not number:
        return {}
    if not re.fullmatch(r"[0-9]{1,2}", number):
        raise RefusedMessage(f"number: received {number[:20]!r}; allowed is a whole number from 1 to 99")
    return {"number": int(number)}


def _coat_of_recipe(config: HomeConfig, content: Mapping[str, Any]) -> str:
    recipe = config.room.recipe_by_name.get(content.get("recipe", ""))
    number = content.get("number", 1)
    if recipe is None or not 1 <= number <= len(recipe.coats):
        known = ", ".join(f"{each.name} (1 to {len(each.coats)})" for each in config.room.recipes) or "none yet"
        raise RefusedMessage(
            f"coat: received none, and coat {number} of recipe {content.get('recipe')!r}; recipes: {known}"
        )
    coat: str = recipe.coats[number - 1]
    return coat


def _weigh(form: Form) -> dict[str, Any]:
    match = _NUMBER.match(form.get("mass", ""))
    if match is None:
        raise RefusedMessage(f"mass: received {form.get('mass', '')[:20]!r}; allowed is a number, such as 12.40")
    return {"mass": float(match[1].replace(",", "."))}


def _fan(form: Form) -> dict[str, Any]:
    if form.get("on") not in ("true", "false"):
        raise RefusedMessage(f"on: received {form.get('on')!r}; allowed are true and false")
    return {"on": form["on"] == "true"}


def _slurry(form: Form) -> dict[str, Any]:
    """Numbers that were typed, and what was chosen."""
    typed = {key: form[key].strip() for key in _MEASURED if form.get(key, "").strip()}
    for key, text in typed.items():
        if not _NUMBER.match(text):
            raise RefusedMessage(f"{key}: received {text[:20]!r}; allowed is a number, such as 9.1")
    return {key: float(text.replace(",", ".")) for key, text in typed.items()} | {
        key: True for key in ("stirred", "fresh") if form.get(key) == "yes"
    }


_MEASURED = ("seconds", "temperature", "density", "ph", "water_added")
_MORE: Mapping[str, Callable[[Form], dict[str, Any]]] = {"dip": _dip, "weigh": _weigh, "fan": _fan, "slurry": _slurry}


def _moment(config: HomeConfig, form: Form, now: datetime) -> datetime | None:
    """When it was: a time of day, of a day of its own or the last such one, before some minutes ago; None: just now."""
    clock = form.get("clock", "").strip()
    if not clock:
        minutes = _minutes(form.get("minutes_ago", ""))
        return now - timedelta(minutes=minutes) if minutes else None
    try:
        moment = typed_time(f"{form.get('day', '').strip()} {clock}".strip(), config.room.timezone, now)
    except SetupError as error:
        raise RefusedMessage(str(error)) from None
    if moment > now:
        raise RefusedMessage(f"time: received {form.get('day')} {clock}, which is still to come; allowed is a past one")
    return moment


def _minutes(text: str) -> int:
    if not text.strip():
        return 0
    if not re.fullmatch(r"[0-9]{1,4}", text.strip()) or int(text) > LONGEST_BACK_MIN:
        raise RefusedMessage(f"minutes ago: received {text[:20]!r}; allowed is 0 to {LONGEST_BACK_MIN}")
    return int(text)
