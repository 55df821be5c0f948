"""A host whose way to the database is cut while it still reaches the broker: who speaks, and when.

    python -m benchmarks.kills.lost_host [--times 2]        as root

Two hosts are two network namespaces, each with a link of its own to the database's server and one to the broker. The
link of the host that serves is cut at its other end: nothing comes back any more, and nobody is told.

stopped    seconds after the cut until the host that was cut off knew, and left the broker
last word  seconds after the cut of the last word that the broker had from it
taken over seconds after the cut until the other host held the room, and until it was online
out of turn words that the broker got from one host after the other was seen to hold the room
"""

import argparse
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

from benchmarks.kills.run import reading
from benchmarks.kills.watch import Believer, Holder, LoggedBroker, spoke_out_of_turn
from tests.postgres import Cluster, cluster
from tests.service.conftest import make_home, until
from tests.service.test_kill import Publisher

HOSTS = ("host-a", "host-b")
NETWORK = "10.77.0.0/16"
DATABASE, BROKER = "10.77.100.1", "10.77.200.1"


def do(words: str) -> None:
    subprocess.run(words.split(), check=True, capture_output=True)


class Net:
    """Two namespaces, and links from each to the addresses of database and broker here."""

    def __enter__(self) -> "Net":
        self.__exit__()
        for address in (DATABASE, BROKER):
            do(f"ip address add {address}/32 dev lo")
        for number, host in enumerate(HOSTS, 1):
            do(f"ip netns add {host}")
            do(f"ip -n {host} link set lo up")
            for part, address in enumerate((DATABASE, BROKER), 1):
                ours, theirs, net = f"{host}-{part}", f"to-{part}", f"10.77.{10 * number + part}"
                do(f"ip link add {ours} type veth peer name {theirs} netns {host}")
                do(f"ip address add {net}.1/24 dev {ours}")
                do(f"ip link set {ours} up")
                do(f"ip -n {host} address add {net}.2/24 dev {theirs}")
                do(f"ip -n {host} link set {theirs} up")
                do(f"ip -n {host} route add {address}/32 via {net}.1")
        return self

    def __exit__(self, *_: object) -> None:
        addresses = (f"ip address delete {address}/32 dev lo" for address in (DATABASE, BROKER))
        links = (f"ip link delete {host}-{part}" for host in HOSTS for part in (1, 2))
        for words in (*links, *(f"ip netns delete {host}" for host in HOSTS), *addresses):
            subprocess.run(words.split(), check=False, capture_output=True)

    def cut(self, host: str) -> None:
        """Its link to the database."""
        do(f"ip link set {host}-1 down")

    def mend(self, host: str) -> None:
        """The link again."""
        do(f"ip link set {host}-1 up")


class OpenBroker(LoggedBroker):
    """It listens at the hosts' address, too."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        with self._conf.open("a") as conf:
            conf.write(f"listener {self.port} {BROKER}\n")


def serve(host: str, folder: Path, broker: int, url: str) -> subprocess.Popen[bytes]:
    """A service in the host's namespace."""
    home = make_home(folder / host, broker)
    file = home / "room.toml"
    text = file.read_text().replace('[broker]\nhost = "127.0.0.1"', f'[broker]\nusername = "{host}"\nhost = "{BROKER}"')
    file.write_text(f'{text}\n[store]\nurl = "{url}"\n')
    command = [sys.executable, "-P", "-m", "drymon.cli", "serve", "--home", str(home)]
    with (folder / f"{host}.log").open("wb") as log:
        return subprocess.Popen(["ip", "netns", "exec", host, *command], stderr=log, stdout=log)


def trial(folder: Path, postgres: Cluster, net: Net, times: int) -> None:
    (folder / "broker").mkdir()
    postgres.listen(DATABASE, NETWORK)
    database = postgres.database()
    name = database.partition("?")[0].rpartition("/")[2]
    with ExitStack() as stack:
        broker = OpenBroker(folder / "broker")
        broker.start()
        stack.callback(broker.stop)
        for host in HOSTS:
            url = f"postgresql://drymon@{DATABASE}/{name}?application_name={host}"
            service = serve(host, folder, broker.port, url)
            stack.callback(lambda service=service: (service.send_signal(signal.SIGKILL), service.wait()))
        believer = Believer(broker.port)
        stack.callback(believer.stop)
        holder = Holder(database)
        stack.callback(holder.stop)
        believer.wait_online(0.0)
        publisher = Publisher(broker.port, reading, 20.0)
        stack.callback(publisher.stop)
        print(f"{'stopped':>8} {'last word':>10} {'held':>8} {'online':>8}   seconds after the cut")
        for _ in range(times):
            time.sleep(5.0)
            one_cut(net, broker, holder, believer)
    print(f"out of turn: {spoke_out_of_turn(broker.said, holder.held)}")


def one_cut(net: Net, broker: LoggedBroker, holder: Holder, believer: Believer) -> None:
    host = holder.now
    net.cut(host)
    at = time.time()
    until(lambda: broker.gone and broker.gone[-1][0] > at, 60)
    stopped = time.time() - at
    until(lambda: holder.now not in ("", host), 60)
    held = time.time() - at
    online = believer.wait_online(at + held - 0.1) - at
    last = max((when for when, who in broker.said if who == host), default=at) - at
    print(f"{stopped:8.1f} {last:10.1f} {held:8.1f} {online:8.1f}", flush=True)
    net.mend(host)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=2)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, Net() as net, cluster(durable=True) as postgres:
        trial(Path(folder), postgres, net, args.times)


if __name__ == "__main__":
    main()
