"""`drymon alarms`: what stands, and what people do about it. Works while the service runs and while it does not."""

import json
import re
from argparse import Namespace
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from drymon.cli.parser import Commands
from drymon.errors import AlarmError, SetupError

if TYPE_CHECKING:
    from drymon.messages.settings import HomeConfig
    from drymon.shop.alarms.alarm_book import AlarmBook, Entry

_SPAN = re.compile(r"([0-9]{1,4})(min|h|d)")
_UNIT = {"min": timedelta(minutes=1), "h": timedelta(hours=1), "d": timedelta(days=1)}


def register(subparsers: Commands) -> None:
    """Say what `alarms` takes."""
    parser = subparsers.add_parser(
        "alarms",
        help="what stands; acknowledge, shelve, take out of service",
        description="Alarms and notices that stand, and what people do about them. An ID may be cut short as long as "
        "it fits one alarm alone, such as sensor-silent:rack-a.",
    )
    acts = parser.add_subparsers(dest="act", metavar="ACT")
    listing = acts.add_parser("list", help="what stands now (also without any word)", description="What stands now.")
    listing.add_argument("--json", action="store_true", help="as JSON")
    for act, what in (
        ("acknowledge", "somebody has seen it; `--over` instead of an ID: all that are over"),
        ("shelve", "silence it for a time, for a reason"),
        ("unshelve", "end its shelf now"),
    ):
        one = acts.add_parser(act, help=what, description=f"{what[0].upper()}{what[1:]}.")
        one.add_argument("id", metavar="ID", nargs="?" if act == "acknowledge" else None)
        if act == "acknowledge":
            one.add_argument("--over", action="store_true", help="all that are over by themselves")
        if act == "shelve":
            one.add_argument("--for", dest="span", metavar="SPAN", default="8h", help="30min, 8h, 2d (8h)")
            one.add_argument("--reason", required=True, metavar="TEXT", help="why")
    for act, what in (
        ("out-of-service", "silence a kind for a subject until it is back in service, say a sensor under repair"),
        ("in-service", "back in service"),
    ):
        one = acts.add_parser(act, help=what, description=f"{what[0].upper()}{what[1:]}.")
        one.add_argument("kind", metavar="KIND", help="such as sensor-silent")
        one.add_argument("subject", metavar="SUBJECT", help="such as rack-a")
        if act == "out-of-service":
            one.add_argument("--reason", required=True, metavar="TEXT", help="why")
    for one in acts.choices.values():
        one.add_argument("--by", metavar="NAME", help="who does it")


def run(args: Namespace) -> int:
    """List, or do it and say so."""
    from drymon.cli.home import config_of, record_of, wall

    config = config_of(args)
    with record_of(config) as record:
        book, delivered = record.alarm_book(), record.last_delivered()
    if args.act in (None, "list"):
        print(_json(book) if getattr(args, "json", False) else _listing(config, book, delivered))
        return 0
    print(_do(config, _words(args, book, wall())))
    return 0


def _words(args: Namespace, book: "AlarmBook", now: datetime) -> dict[str, str]:
    from drymon.cli.door import who

    words = {key: getattr(args, key, None) for key in ("act", "by", "id", "kind", "subject", "reason")}
    words["by"] = words["by"] or who()
    if args.act == "acknowledge":
        words["act"] = _acknowledge(args.id, args.over)
    if words["id"]:
        words["id"] = _whole_id(book, words["id"])
    if args.act == "shelve":
        words["until"] = (now + _span(args.span)).isoformat()
    return {key: value for key, value in words.items() if value}


def _acknowledge(typed: str | None, over: bool) -> str:
    """The act: of one alarm, or of all that are over."""
    if (typed is not None) is over:
        received = "an ID and --over" if over else "neither an ID nor --over"
        raise SetupError(f"acknowledge: received {received}; allowed is one of them: --over is for all that are over")
    return "acknowledge-over" if over else "acknowledge"


def _whole_id(book: "AlarmBook", typed: str) -> str:
    fits = [entry.id for entry in book.standing() if entry.id.startswith(typed)]
    if len(fits) > 1 and typed not in fits:
        raise SetupError(f"{typed!r} fits {len(fits)} alarms: {', '.join(fits)}; say which one")
    return fits[0] if len(fits) == 1 else typed


def _span(text: str) -> timedelta:
    found = _SPAN.fullmatch(text)
    if found is None:
        raise SetupError(f"--for: received {text!r}; allowed is a number with min, h or d, such as 8h")
    return int(found[1]) * _UNIT[found[2]]


def _do(config: "HomeConfig", words: dict[str, str]) -> str:
    """In the database; while a service holds it, by way of that service."""
    from drymon.cli.door import ask_service
    from drymon.cli.home import wall
    from drymon.shop.alarms.alarm_acts import about_of, acknowledged, act_of, done
    from drymon.store import is_in_use, only_writer

    if is_in_use(config.database):
        return ask_service(config.path, "/control/alarm", words)
    now = wall()
    with only_writer(config.database, now) as store, store.transaction():
        before, about = store.alarm_book(), about_of(words)
        book = act_of(words, now)(before)
        store.save_alarm_book(book)
        detail: dict[str, str] = {key: words[key] for key in ("reason", "until") if key in words}
        for each in [about] if about else acknowledged(before, book):
            store.log_alarm(now, each, words["act"], words["by"], detail)
    return done(words["act"], about)


def _listing(config: "HomeConfig", book: "AlarmBook", delivered: datetime | None) -> str:
    from drymon.cli.home import wall
    from drymon.shop.facts.local_time import say

    now, zone = wall(), config.room.timezone
    lines = [line for entry in book.standing() for line in _lines(book, entry, now, zone)]
    for (kind, subject), pause in sorted(book.pauses.items()):
        until = f"until {say(pause.until, now, zone)}" if pause.until else "out of service"
        lines.append(f"silenced {until}: {kind} {subject}, by {pause.by}: {pause.reason}")
    lines = lines or ["nothing stands"]
    told = say(delivered, now, zone) if delivered else "never"
    return "\n".join([*lines, f"last message delivered to people: {told}"])


def _lines(book: "AlarmBook", entry: "Entry", now: datetime, zone: str) -> Iterator[str]:
    """What is so, what to do about it, and what to type."""
    from drymon.shop.alarms.alarm_book import AlarmState
    from drymon.shop.facts.local_time import say

    words = entry.kind.words(entry.severity)
    yield f"{entry.severity:8}{say(entry.raised_at or now, now, zone):>12}  {entry.what}"
    if book.state(entry) is AlarmState.RETURNED:
        yield f"{'':22}over since {say(entry.cleared_at or now, now, zone)}; nobody has acknowledged it"
    else:
        yield f"{'':22}do: {words.action} {entry.by}".rstrip()
    if entry.key.kind == "tree-hold" and entry.phase == "active":
        yield f"{'':22}answer: drymon look {entry.key.subject} sound (or repaired, or scrap)"
    seen = f", seen by {entry.acknowledged_by}" if entry.acknowledged_by else ""
    yield f"{'':22}{entry.id} ({book.state(entry).replace('-', ' ')}{seen})"


def _json(book: "AlarmBook") -> str:
    return json.dumps([_row(book, entry) for entry in book.standing()], ensure_ascii=False)


def _row(book: "AlarmBook", entry: "Entry") -> dict[str, Any]:
    from drymon.messages.times import stamp

    if entry.raised_at is None:
        raise AlarmError(f"{entry.key} stands without having been raised")
    return {
        "id": entry.id,
        "kind": entry.key.kind,
        "subject": entry.key.subject,
        "severity": entry.severity,
        "state": book.state(entry).value,
        "raised": stamp(entry.raised_at),
        "acknowledged_by": entry.acknowledged_by or None,
        "text": entry.what,
    }
