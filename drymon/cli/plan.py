"""`drymon plan`: the coming dips, to the end of every recipe."""

import json
import sys
from argparse import ArgumentTypeError, Namespace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from drymon.cli.home import config_of, record_of, wall
from drymon.messages.outgoing import plan_dict
from drymon.messages.settings import HomeConfig
from drymon.messages.times import AHEAD

COULD_NOT, WRONG_USE = 1, 2
MOST_DAYS, DAYS_AHEAD, DAYS_BACK = 60, 7, 28
ENDINGS = (".ics", ".txt", ".json")


def register(commands: Any) -> None:
    """Say what `plan` takes."""
    parser = commands.add_parser(
        "plan",
        help="what to dip now, next and later",
        description="The coming dips of all trees to the end of their recipes, within [hours] of room.toml, by the "
        "service's last word.",
    )
    parser.add_argument("--days", metavar="N", type=_days, help="how far to look ahead (7), or back (28)")
    parser.add_argument(
        "--looking-back",
        action="store_true",
        help="instead what waiting has cost: hours that trees hung ready, dips too early, longest waits overrun",
    )
    parser.add_argument("--json", action="store_true", help="as on the topic out/plan")
    parser.add_argument(
        "--out", metavar="FILE", help="write it to FILE.ics (a calendar), FILE.txt or FILE.json instead"
    )


def run(args: Namespace) -> int:
    """Print or write the plan; 1 where there is none yet. Of one that is past nothing is to be dipped now."""
    config, now = config_of(args), wall()
    if args.looking_back:
        return _look_back(config, now, args.days or DAYS_BACK)
    from drymon.views.plan_words import as_past, past_words, plan_text

    ending = Path(args.out).suffix.lower() if args.out else ".json" if args.json else ".txt"
    if ending not in ENDINGS:
        print(
            f"drymon plan: --out: received {args.out!r}; allowed are files ending in {', '.join(ENDINGS)}",
            file=sys.stderr,
        )
        return WRONG_USE
    with record_of(config) as record:
        plan = record.current_plan()
    if plan is None:
        print("drymon plan: there is no plan yet; it comes with the first tree: drymon serve", file=sys.stderr)
        return COULD_NOT
    zone, until = ZoneInfo(config.room.timezone), plan.time + timedelta(days=args.days or DAYS_AHEAD)
    if now > plan.valid_until or now < plan.time - AHEAD:
        print(f"drymon plan: {past_words(plan, zone)}", file=sys.stderr)
        plan = as_past(plan)
    if ending == ".ics":
        from drymon.views.calendar import calendar

        text = calendar(plan, config.room, until).decode()
    elif ending == ".json":
        text = json.dumps(plan_dict(plan), ensure_ascii=False, indent=2) + "\n"
    else:
        text = plan_text(plan, config.room, zone, until)
    if args.out:
        Path(args.out).write_text(text, encoding="utf-8", newline="")
        print(f"written: {args.out}")
    else:
        sys.stdout.write(text)
    return 0


def _look_back(config: HomeConfig, now: datetime, days: int) -> int:
    from drymon.views.looking_back import looking_back, table_of

    with record_of(config) as record:
        end = min(now, record.last_arrival() or now)  # of a record that was played, its own last days
        told = looking_back(record, end - timedelta(days=days), end, ZoneInfo(config.room.timezone))
    sys.stdout.write(table_of(told, config.room))
    return 0


def _days(text: str) -> int:
    if not (text.isdecimal() and 1 <= int(text) <= MOST_DAYS):
        raise ArgumentTypeError(f"received {text!r}; allowed is a whole number from 1 to {MOST_DAYS}")
    return int(text)
