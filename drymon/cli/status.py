"""`drymon status`: what may be said now, from the database."""

import json
import os
import shutil
import sys
from argparse import Namespace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from drymon.cli.parser import Commands

if TYPE_CHECKING:
    from drymon.messages.settings import HomeConfig
    from drymon.readback.now import Now
    from drymon.shop.facts.outcome import DayPlan, SensorStatus
    from drymon.store import Store

REFUSED_SHOWN = 20


def register(commands: Commands) -> None:
    """Say what `status` takes."""
    parser = commands.add_parser(
        "status",
        help="what holds now: trees, racks, sensors",
        description="What is known now of every tree, rack and sensor, read from the database. While the service "
        "is not running every tree is `unknown`, with the age of the last word on it.",
    )
    parser.add_argument("--json", action="store_true", help="one JSON document instead of a table")


def run(args: Namespace) -> int:
    """Print the status."""
    from drymon.cli.home import config_of, wall, warn_of_models
    from drymon.readback.now import as_json
    from drymon.views.table import table

    config = config_of(args)
    warn_of_models(config)
    now = look(config, wall())
    if args.json:
        print(json.dumps(as_json(now), ensure_ascii=False, indent=2, allow_nan=False))
    else:
        sys.stdout.write(table(now, config.room, _paper()))
    return 0


def look(config: "HomeConfig", moment: datetime) -> "Now":
    """Everything that the status shows at `moment`."""
    from drymon.cli.home import record_of, service_runs
    from drymon.readback.now import Now, RefusedLine, rack_now, tree_now
    from drymon.store import is_there

    if not is_there(config.database):
        return Now(moment, online=False, trees=(), racks=())
    with record_of(config) as record:
        online = service_runs(config, record)
        trees = [tree_now(verdict, moment, online) for verdict in record.current_verdicts()]
        return Now(
            moment,
            online,
            trees,
            [rack_now(rack, trees, moment, online) for rack in record.current_racks()],
            _sensors(record, moment, timedelta(minutes=config.room.stale_after_min)),
            record.refused_count(),
            [RefusedLine(r.time, r.topic, r.reason) for r in record.latest_refused(REFUSED_SHOWN)],
            _plan(record, moment) if online else None,
        )


def _plan(record: "Store", moment: datetime) -> "DayPlan | None":
    plan = record.current_plan()
    return plan if plan is not None and moment <= plan.valid_until else None


def _sensors(record: "Store", moment: datetime, stale: timedelta) -> "list[SensorStatus]":
    """Every sensor's last word; doubted where the record says so of that very reading."""
    from drymon.readback.now import sensor_now, sensor_status

    doubts = list(record.doubts(from_=moment - timedelta(days=14)))
    latest = record.latest_readings()
    return [sensor_now(sensor_status(reading, doubts), moment, stale) for reading in latest]


def _paper() -> Any:
    from drymon.views.table import Paper

    terminal = sys.stdout.isatty()
    return Paper(
        width=shutil.get_terminal_size((100, 24)).columns,
        colour=terminal and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb",
        unicode=(sys.stdout.encoding or "").lower().replace("-", "").startswith("utf"),
    )
