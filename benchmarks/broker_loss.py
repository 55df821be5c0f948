"""What a broker loses with its power: mosquitto killed (-9) at a random moment, by how often it saves.

    python benchmarks/broker_loss.py [SECONDS_OF_PUBLISHING]

A listener's session stands while it is away, as drymon's does during a restart; readings come at a steady pace and are
acknowledged by the broker. What the listener finds after the broker's next start is what was saved. The loss is told in
seconds of readings and as a share of the interval.
"""

import random
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

RATE = 10
INTERVALS_S = (1, 10, 60)
TOPIC = "drymon/shop/rack-a/temperature"


class Broker:
    def __init__(self, folder: Path, interval_s: int) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self._conf = folder / "mosquitto.conf"
        self._conf.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nuser root\npersistence true\n"
            f"persistence_location {folder}/\nautosave_interval {interval_s}\nmax_queued_messages 0\nlog_type none\n"
        )

    def start(self) -> None:
        mosquitto = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        self._process = subprocess.Popen([mosquitto, "-c", str(self._conf)], stderr=subprocess.DEVNULL)
        time.sleep(1.0)

    def end(self, how: signal.Signals) -> None:
        self._process.send_signal(how)
        self._process.wait()


def listen(port: int, seconds: float) -> int:
    """Take up the session; how many messages waited in it."""
    heard = []
    client = Client(CallbackAPIVersion.VERSION2, client_id="drymon-shop", clean_session=False)
    client.on_connect = lambda *_: client.subscribe(TOPIC, 1)
    client.on_message = lambda *_: heard.append(1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    time.sleep(seconds)
    client.disconnect()
    client.loop_stop()
    return len(heard)


def lost(interval_s: int, seconds: float, saved: bool) -> float:
    """Seconds of readings that are gone. saved: the broker had saved the session before the readings came."""
    with tempfile.TemporaryDirectory() as folder:
        broker = Broker(Path(folder), interval_s)
        broker.start()
        listen(broker.port, 1.0)
        if saved:
            broker.end(signal.SIGTERM)  # it saves when it is stopped
            broker.start()
        client = Client(CallbackAPIVersion.VERSION2)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        count = int(seconds * RATE)
        for number in range(count):
            client.publish(TOPIC, str(number), qos=1).wait_for_publish(10)
            time.sleep(1.0 / RATE)
        broker.end(signal.SIGKILL)
        client.loop_stop()
        broker.start()
        found = listen(broker.port, 3.0)
        broker.end(signal.SIGTERM)
        return (count - found) / RATE


def main() -> None:
    longest = float(sys.argv[1]) if len(sys.argv) > 1 else 90.0
    random.seed(7)
    cases = [(interval, saved) for interval in INTERVALS_S for saved in (True, False)]
    spans = [longest * random.uniform(0.6, 1.0) for _ in cases]
    with ThreadPoolExecutor(len(cases)) as pool:
        found = list(pool.map(lambda case, span: lost(*case[:1], span, case[1]), cases, spans))
    for (interval, saved), span, seconds in zip(cases, spans, found, strict=True):
        session = "session saved" if saved else "session new  "
        print(f"autosave_interval {interval:3} s, {session}: {seconds:5.1f} s of {span:5.1f} s of readings lost")


if __name__ == "__main__":
    main()
