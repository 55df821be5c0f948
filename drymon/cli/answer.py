"""Sends a typed log event to the broker, waits until the service has it on record, and answers in a sentence."""

import sys
import time

from drymon.cli.home import record_of, wall
from drymon.errors import StoreError
from drymon.messages.message import Message
from drymon.messages.settings import HomeConfig
from drymon.shop.facts.events import LogEvent
from drymon.views import by_hand

COULD_NOT = 1
PATIENCE_S, LOOK_EVERY_S = 5.0, 0.05


def send_and_answer(config: HomeConfig, message: Message, event: LogEvent, runs: bool) -> int:
    """0 once the broker has it; BrokerError where none is reachable. 1 where the service refuses it.

    runs: whether the service runs in this home, so that its answer can be waited for.
    """
    from drymon.service.embedded import broker_of
    from drymon.service.publisher import publish_once

    broker = broker_of(config)
    publish_once(broker, message, mqtt5=config.broker is not None)
    where = f"sent to {broker.host}:{broker.port}"
    if runs:
        return _answer(config, message, event, where)
    print(f"{by_hand.sentence(event, None, wall(), config.room.timezone, known=False)}: {where}")
    print("the service does not run here now; it takes this up when it starts", file=sys.stderr)
    return 0


def _answer(config: HomeConfig, message: Message, event: LogEvent, where: str) -> int:
    until, tree, zone = time.monotonic() + PATIENCE_S, getattr(event, "tree", None), config.room.timezone
    while time.monotonic() < until:
        try:
            with record_of(config) as record:
                if by_hand.is_on_record(record, event):
                    said = next((one for one in record.current_verdicts() if one.tree == tree), None)
                    taken = by_hand.taken_back(record, event, wall(), zone)
                    print(by_hand.sentence(event, said, wall(), zone, taken=taken))
                    return 0
                if refused := by_hand.refusal(record, message):
                    print(f"not logged: {refused}", file=sys.stderr)
                    return COULD_NOT
        except StoreError:
            pass  # the first message of a new home: its database is only just being made
        time.sleep(LOOK_EVERY_S)
    print(f"{by_hand.sentence(event, None, wall(), zone, known=False)}: {where}")
    print("it is not on record yet: look with `drymon status` before you say it again", file=sys.stderr)
    return 0
