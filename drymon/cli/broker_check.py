"""One short look at the broker: does it answer, and does it let us in?"""

import threading
import uuid

from paho.mqtt.client import Client

from drymon.messages.settings import Broker
from drymon.service.connection import KEEPALIVE_S, make_client

PATIENCE_S = 5.0


def answer_of(broker: Broker) -> str:
    """What is wrong with the broker; "" where it lets us in. Raises SetupError for files that cannot be used."""
    problem = _ask(broker, mqtt5=True)
    return _ask(broker, mqtt5=False) if "protocol" in problem.lower() else problem


def _ask(broker: Broker, *, mqtt5: bool) -> str:
    answered = threading.Event()
    problems: list[str] = []

    def connected(_client: Client, _data: object, _flags: object, reason: object, _properties: object) -> None:
        if getattr(reason, "is_failure", False):
            problems.append(f"it refuses us ({reason})")
        answered.set()

    client = make_client(broker, f"drymon-check-{uuid.uuid4().hex[:8]}", mqtt5=mqtt5, lasting=False)
    client.on_connect = connected
    client.connect_timeout = PATIENCE_S
    try:
        client.connect(broker.host, broker.port, KEEPALIVE_S)
    except OSError as error:
        return f"cannot be reached ({error})"
    client.loop_start()
    try:
        if not answered.wait(PATIENCE_S):
            return f"takes the connection but does not answer within {PATIENCE_S:.0f} s"
        return problems[0] if problems else ""
    finally:
        client.disconnect()
        client.loop_stop()
