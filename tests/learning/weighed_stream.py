"""A made-up stream of weighings, line by line: (time, line of a recorded stream), for homes of the tests here."""

import json
import math
from datetime import UTC, datetime, timedelta

START = datetime(2031, 3, 3, 6, 0, tzinfo=UTC)
TAU_H = 1.2


def line(hours, topic, payload):
    time = START + timedelta(hours=hours)
    return time, {"time": time.isoformat().replace("+00:00", "Z"), "topic": f"drymon/shop/{topic}", "payload": payload}


def log(hours, event, **fields):
    return line(hours, f"log/{event}", json.dumps(fields))


def bench_run(tree, begin, coat="backup"):
    yield log(begin, "dip", tree=tree, rack="rack-a", coat=coat, shelter="open", number=1)
    for k in range(14):
        hours = 0.1 + 0.4 * k
        mass = 4.0 + 0.12 * math.exp(-hours / TAU_H)
        yield log(begin + hours, "weigh", tree=tree, mass=round(mass, 4), unit="kg")
