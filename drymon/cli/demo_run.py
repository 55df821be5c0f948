"""The demo's run: a player publishes the recorded stream, the pipeline listens, a reader hears what is said.

Three MQTT clients and a real broker between them. Every message travels under its own topic with its line of the
recorded stream as payload, so that the time of the stream goes with it and order is that of one connection.
"""

import queue
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from heapq import merge

from paho.mqtt.client import Client, MQTTMessage

from drymon.errors import BrokerError, DrymonError
from drymon.messages import topics
from drymon.messages.message import Message
from drymon.messages.settings import Broker, HomeConfig
from drymon.messages.streams import format_line, parse_line
from drymon.service.connection import connect, make_client
from drymon.service.pipeline import Pipeline

WINDOW = 800
"""Messages on their way from the player to the pipeline: no broker has to keep more than that for us."""
BATCH = 200
PATIENCE_S = 30.0
QOS = 1
END = "drymon-demo/end"
READER = "drymon-demo/story/"
"""What the reader hears, in order: the log as it was taken in, and all that was said."""

Came = queue.Queue[Message | DrymonError | None]
"""What the pipeline waits for: messages, the player's trouble, or None at the end."""


def play(
    config: HomeConfig,
    pipeline: Pipeline,
    stream: Iterable[Message],
    broker: Broker,
    heard: Callable[[Message], None],
) -> int:
    """Play the stream through broker and pipeline; `heard` is called with each log event and outgoing message.

    Returns the number of messages that the pipeline took. Raises BrokerError where the broker falls silent.
    """
    filters = [topics.everything(config.room.name), *sorted({source.topic for source in config.sources}), END]
    came: Came = queue.Queue()
    free = threading.Semaphore(WINDOW)
    done = threading.Event()

    def take(message: MQTTMessage) -> None:
        if message.topic == END:
            came.put(None)
        elif not topics.is_own(config.room.name, message.topic):
            came.put(parse_line(message.payload.decode("utf-8")))

    def read(message: MQTTMessage) -> None:
        done.set() if message.topic == READER + "end" else heard(parse_line(message.payload.decode("utf-8")))

    with (
        _client(broker, "demo-reader", [READER + "#"], read),
        _client(broker, "demo-pipeline", filters, take) as listener,
        _client(broker, "demo-player", [], None) as player,
    ):
        threading.Thread(target=_publish_all, args=(player, stream, free, came), daemon=True).start()
        count = _listen(config, pipeline, came, free, listener)
        listener.publish(READER + "end", b"", QOS)
        if not done.wait(PATIENCE_S):
            raise BrokerError("the demo's broker kept the end of the story to itself; run the demo once more")
    return count


def _publish_all(player: Client, stream: Iterable[Message], free: threading.Semaphore, came: Came) -> None:
    try:
        for message in stream:
            free.acquire()
            player.publish(message.topic, format_line(message).encode(), QOS)
    except DrymonError as error:  # the other thread waits for messages; it must hear of this instead
        came.put(error)
    player.publish(END, b"", QOS)


def _listen(
    config: HomeConfig,
    pipeline: Pipeline,
    came: Came,
    free: threading.Semaphore,
    listener: Client,
) -> int:
    count, log = 0, topics.log_prefix(config.room.name)
    for batch in _batches(came):
        said = pipeline.batch(batch, batch[-1].arrived)
        free.release(len(batch))
        count += len(batch)
        events = (message for message in batch if message.topic.startswith(log))
        for message in merge(events, said, key=lambda message: message.arrived):
            if not message.topic.startswith(log):
                listener.publish(message.topic, message.payload, QOS, message.retain)
            listener.publish(READER + "line", format_line(message).encode(), QOS)
    return count


def _batches(came: Came) -> Iterator[list[Message]]:
    """What has come, at most BATCH at once, until the end; BrokerError where nothing comes any more."""
    batch: list[Message] = []
    while True:
        try:
            message = came.get(timeout=PATIENCE_S) if not batch else came.get_nowait()
        except queue.Empty:
            if not batch:
                raise BrokerError("the demo's broker delivers nothing any more; run the demo once more") from None
            yield batch
            batch = []
            continue
        if isinstance(message, DrymonError):
            raise message
        if message is not None:
            batch.append(message)
        if batch and (message is None or len(batch) == BATCH):
            yield batch
            batch = []
        if message is None:
            return


@contextmanager
def _client(
    broker: Broker, name: str, topics: list[str], heard: Callable[[MQTTMessage], None] | None
) -> Iterator[Client]:
    """A connected client whose subscriptions stand."""
    client = make_client(broker, name, mqtt5=False, lasting=False)
    ready = threading.Event()

    def connected(client: Client, *_: object) -> None:
        if topics:
            client.subscribe([(topic, QOS) for topic in topics])
        else:
            ready.set()

    client.on_connect = connected
    client.on_subscribe = lambda *_: ready.set()
    if heard is not None:
        client.on_message = lambda _client, _data, message: heard(message)
    connect(client, broker, lasting=False)
    client.loop_start()
    try:
        if not ready.wait(PATIENCE_S):
            raise BrokerError(f"the demo's broker on {broker.host}:{broker.port} does not answer")
        yield client
    finally:
        client.disconnect()
        client.loop_stop()
