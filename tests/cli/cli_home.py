"""The small room and the small stream of these tests."""

import json
import math
import socket
from datetime import UTC, datetime, timedelta

with socket.socket() as _probe:
    _probe.bind(("127.0.0.1", 0))
    PAGE_PORT = _probe.getsockname()[1]

ROOM_TOML = f"""
[room]
name = "shop"
timezone = "Europe/Berlin"

[page]
port = {PAGE_PORT}

[[rack]]
name = "rack-a"

[[coat]]
name = "backup"
family = "backup"
room = {{ temperature_c = [20, 26], humidity_pct = [35, 55] }}
"""
BEGIN = datetime(2031, 3, 3, 6, 0, tzinfo=UTC)
HOURS = 4


def stamp(hours: float) -> str:
    """RFC 3339, so many hours after the beginning."""
    return (BEGIN + timedelta(hours=hours)).isoformat().replace("+00:00", "Z")


def stream_lines(hours: int = HOURS) -> list[str]:
    """Air once a minute, a dip after half an hour, one message that nobody can read."""
    lines = []
    for minute in range(hours * 60):
        at = stamp(minute / 60)
        values = {
            "temperature": f"{22 + math.sin(minute / 40):.2f}",
            "humidity": f"{45 + math.cos(minute / 30):.1f}",
            "airflow": "1.25",
        }
        for quantity, value in values.items():
            lines.append(json.dumps({"time": at, "topic": f"drymon/shop/rack-a/{quantity}", "payload": value}))
        if minute == 30:
            dip = '{"tree": "t-7", "rack": "rack-a", "coat": "backup", "shelter": "open", "by": "Ilse"}'
            lines.append(json.dumps({"time": at, "topic": "drymon/shop/log/dip", "payload": dip}))
        if minute == 60:
            lines.append(json.dumps({"time": at, "topic": "drymon/shop/rack-a/humidity", "payload": "err"}))
    return lines
