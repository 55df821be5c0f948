"""`drymon plan`: the coming dips, to the end of every recipe; what a change would save; what waiting has cost."""

import json
import sys
from argparse import ArgumentTypeError, Namespace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from drymon.errors import DrymonError, LearningError

if TYPE_CHECKING:
    from drymon.messages.settings import HomeConfig
    from drymon.shop.facts.outcome import DayPlan
    from drymon.shop.plan.what_if import Change

COULD_NOT, WRONG_USE = 1, 2
MOST_DAYS, DAYS_AHEAD, DAYS_BACK = 60, 7, 28
PICTURES = (".svg", ".png", ".pdf")
ENDINGS = (".txt", ".json", ".ics", ".html", *PICTURES)


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
        "--what-if",
        metavar="NAME=VALUE",
        action="append",
        help="instead what it would save if humidity=45, temperature=24, airflow=1.5, hands=2 or recipe=NAME; "
        "more than one may be given",
    )
    parser.add_argument(
        "--looking-back",
        action="store_true",
        help="instead what waiting has cost: hours that trees hung ready, dips too early, longest waits overrun",
    )
    parser.add_argument("--json", action="store_true", help="as on the topic out/plan")
    parser.add_argument(
        "--out",
        metavar="FILE",
        help="write it to FILE instead: .ics (a calendar), .html (a sheet to print), .svg, .png or .pdf (a picture), "
        ".txt or .json",
    )


def run(args: Namespace) -> int:
    """Print or write the plan; 1 where there is none yet. Of one that is past nothing is to be dipped now."""
    from drymon.cli.home import config_of, record_of, wall
    from drymon.messages.times import AHEAD

    config, now = config_of(args), wall()
    if args.looking_back:
        return _look_back(config, now, args.days or DAYS_BACK)
    ending = Path(args.out).suffix.lower() if args.out else ".json" if args.json else ".txt"
    if ending not in ENDINGS:
        return _wrong(f"--out: received {args.out!r}; allowed are files ending in {', '.join(ENDINGS)}")
    if args.what_if and ending != ".txt":
        return _wrong("--what-if says what a change would save, as text: leave out --json, or name a .txt file")
    with record_of(config) as record:
        plan = record.current_plan()
    if plan is None:
        print("drymon plan: there is no plan yet; it comes with the first tree: drymon serve", file=sys.stderr)
        return COULD_NOT
    if now > plan.valid_until or now < plan.time - AHEAD:
        from drymon.views.plan_words import as_past, past_words

        print(f"drymon plan: {past_words(plan, ZoneInfo(config.room.timezone))}", file=sys.stderr)
        plan = as_past(plan)
    if args.what_if:
        try:
            change = change_of(args.what_if)
        except LearningError as error:
            return _wrong(f"--what-if {error}")
        if not plan.air:
            print("drymon plan: this plan does not say by which air it was made; the next one will", file=sys.stderr)
            return COULD_NOT
        return _tell(args, config, _what_if(config, plan, change))
    until = plan.time + timedelta(days=args.days or DAYS_AHEAD)
    if ending in PICTURES:
        return _draw(args, config, plan, until)
    return _tell(args, config, _written(config, plan, ending, until))


def change_of(words: list[str]) -> "Change":
    """What `--what-if` asks for. LearningError says what was received and what is allowed."""
    from drymon.drying.quantities import Quantity
    from drymon.messages.typed import quantity_of, whole_of
    from drymon.shop.plan.what_if import Change

    asked = dict[str, Any]()
    for word in words:
        name, _, value = word.partition("=")
        match name.strip().lower():
            case "humidity":
                asked["humidity_pct"] = quantity_of(Quantity.HUMIDITY, value)
            case "temperature":
                asked["temperature_c"] = quantity_of(Quantity.TEMPERATURE, value)
            case "airflow":
                asked["airflow"] = quantity_of(Quantity.AIRFLOW, value)
            case "hands":
                asked["hands"] = whole_of(value, "hands", 20)
            case "recipe":
                asked["recipe"] = value.strip()
            case _:
                raise LearningError(
                    f"received {word!r}; allowed are humidity=45, temperature=24, airflow=1.5, hands=2, recipe=NAME"
                )
    return Change(**asked)


def _what_if(config: "HomeConfig", plan: "DayPlan", change: "Change") -> str:
    from drymon.cli.home import record_of
    from drymon.messages.coat_models import load_models
    from drymon.shop.facts.measured import Measured
    from drymon.shop.fold.room import Room
    from drymon.shop.plan.what_if import what_if
    from drymon.views.what_if_words import what_if_text

    known = config.room.recipe_by_name
    if change.recipe is not None and change.recipe not in known:
        raise DrymonError(f"--what-if recipe: received {change.recipe!r}; room.toml has {', '.join(known) or 'none'}")
    zone = ZoneInfo(config.room.timezone)
    room = Room(config.room, load_models(config.path), zone)
    with record_of(config) as record:
        room.measured(Measured.of(record.calibrations()))
        verdicts = record.current_verdicts()
    return what_if_text(what_if(room.world, verdicts, plan, change, zone), change, config.room, zone)


def _written(config: "HomeConfig", plan: "DayPlan", ending: str, until: datetime) -> str | bytes:
    """The plan up to `until`, as such a file has it."""
    zone = ZoneInfo(config.room.timezone)
    if ending == ".ics":
        from drymon.views.calendar import calendar

        return calendar(plan, config.room, until)
    if ending == ".json":
        from drymon.messages.outgoing import plan_dict

        return json.dumps(plan_dict(plan), ensure_ascii=False, indent=2) + "\n"
    if ending == ".html":
        from drymon.views.day_sheet import day_sheet

        return day_sheet(plan, config.room, zone, until)
    from drymon.views.plan_words import plan_text

    return plan_text(plan, config.room, zone, until)


def _draw(args: Namespace, config: "HomeConfig", plan: "DayPlan", until: datetime) -> int:
    from drymon.cli.home import file_to_write
    from drymon.views.plots.plan import draw_plan
    from drymon.views.plots.style import save

    figure = draw_plan(plan, config.room, ZoneInfo(config.room.timezone), until)
    print(f"written: {save(figure, file_to_write(args.out, config.path))}")
    return 0


def _tell(args: Namespace, config: "HomeConfig", what: str | bytes) -> int:
    if args.out:
        from drymon.cli.home import file_to_write

        file = file_to_write(args.out, config.path)
        file.write_bytes(what.encode() if isinstance(what, str) else what)
        print(f"written: {file}")
    else:
        sys.stdout.write(what if isinstance(what, str) else what.decode())
    return 0


def _wrong(what: str) -> int:
    print(f"drymon plan: {what}", file=sys.stderr)
    return WRONG_USE


def _look_back(config: "HomeConfig", now: datetime, days: int) -> int:
    from drymon.cli.home import record_of
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
