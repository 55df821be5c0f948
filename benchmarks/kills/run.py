"""Kills under load: what is lost, what is there twice, what is said to be ready and is not, and whether two ever speak.

    python -m benchmarks.kills.run [--serving 50] [--server 20] [--rate 150] [--seed 1]

Two processes serve one room in turns, one of them standing by, its record on a PostgreSQL whose commits are durable;
readings come over a mosquitto at QoS 1. A tree that is ready is dipped anew within a second of each kill: whoever still
calls it ready afterwards tells a falsehood.

serving    the process that serves is killed (-9), at once after it serves, or while it takes over
server     the database's server is stopped as by a crash, killed (-9), or one of its own processes is

lost, twice    readings and log events that the broker had, against those on record
false ready    said of a coat that was dipped minutes ago, or of the coat before it later than two seconds after
out of turn    words the broker got from one process after another was seen to hold the room
away           seconds from a kill until the room is served again, all verdicts said
stale          longest that a ready was believed after its tree had been dipped anew
"""

import argparse
import json
import os
import random
import signal
import statistics
import tempfile
import time
from collections import Counter
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path

from benchmarks.kills.watch import Believer, Holder, LoggedBroker, spoke_out_of_turn
from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.settings import Server
from drymon.service.pipeline import Pipeline
from drymon.store import Store
from drymon.store.alone import only_writer
from tests.postgres import Cluster, cluster
from tests.service.conftest import Ear, Serving, make_home, until
from tests.service.test_kill import Publisher

ROOM = "drymon/shop/rack-a"
HOSTS = ("host-a", "host-b")
DRY_H = 30
"""Hours since the trees' first dip: their coats are dry when the trial begins."""
LONGEST_AWAY_S = 120.0
BLOWS = ("stop", "kill the server", "kill a process of the server")


def reading(number: int) -> tuple[str, str]:
    """In turn: a numbered reading, an unnumbered one, and always the same one."""
    turn, value = number % 3, 21 + number % 97 / 100
    if turn == 0:
        seq = number // 3
        return f"{ROOM}/temperature/numbered", f'{{"value": {value}, "device": "n1", "boot": "b", "seq": {seq}}}'
    return (f"{ROOM}/humidity/plain", str(value + 24)) if turn == 1 else (f"{ROOM}/temperature/same", "21.5")


def wanted(said: list[tuple[str, str]]) -> Counter[tuple[str, float]]:
    """What has to be on record of them."""
    values = ((topic.rpartition("/")[2], payload.removeprefix('{"value": ').split(",")[0]) for topic, payload in said)
    return Counter((sensor, float(value)) for sensor, value in values)


class Trial:
    """Two processes for one room, a broker, a server, and those who watch them."""

    def __init__(self, folder: Path, postgres: Cluster, trees: int, rate: float, seed: int) -> None:
        self._postgres, self._trees, self._rate = postgres, [f"t-{n}" for n in range(trees)], rate
        self._luck = random.Random(seed)
        (folder / "broker").mkdir()
        self.broker = LoggedBroker(folder / "broker")
        self.url = postgres.database()
        self.hosts = {name: Serving(self._home(folder / name, name), folder / f"{name}.log") for name in HOSTS}
        self.away: dict[str, list[float]] = {}
        self.dips: list[str] = []

    def run(self, serving: int, server: int) -> None:
        """All of it; what came of it stands in the fields."""
        with ExitStack() as stack:
            self._let_trees_dry()
            self.broker.start()
            stack.callback(self.broker.stop)
            for host in self.hosts.values():
                host.start(anew=True)
                stack.callback(lambda host=host: host.end(signal.SIGKILL))
            self.believer = Believer(self.broker.port)
            stack.callback(self.believer.stop)
            self.holder = Holder(self.url)
            stack.callback(self.holder.stop)
            self.hand = Ear(self.broker.port, "drymon/shop/out/nothing")
            stack.callback(self.hand.close)
            self.believer.wait_online(0.0)
            if not until(lambda: len(self.believer.ready) == len(self._trees), 60):
                raise RuntimeError(f"{len(self.believer.ready)} of {len(self._trees)} trees are ready before the trial")
            self.publisher = Publisher(self.broker.port, reading, self._rate)
            stack.callback(self.publisher.stop)
            blows = ["serving"] * serving + ["server"] * server
            self._luck.shuffle(blows)
            for number, blow in enumerate(blows):
                self._strike(blow, number)
            self.publisher.stop()
            self._settle()

    def there(self) -> tuple[Counter[tuple[str, float]], Counter[str]]:
        """Readings and log events on record."""
        with Store.open(Server(self.url, "shop"), readonly=True) as store:
            live = Counter((one.sensor, one.value) for one in store.readings() if one.sensor != "past")
            return live, Counter(event.id for event in store.events() if event.id.startswith("blow-"))

    def _home(self, folder: Path, name: str) -> Path:
        home = make_home(folder, self.broker.port)
        file = home / "room.toml"
        text = file.read_text().replace("[broker]\n", f'[broker]\nusername = "{name}"\n')
        file.write_text(f'{text}\n[store]\nurl = "{self.url}&application_name={name}"\n')
        return home

    def _let_trees_dry(self) -> None:
        """Trees that were dipped a day ago, and the air since: as if the room had been served all the while."""
        config = load_home(self.hosts[HOSTS[0]].home)
        begin, messages = datetime.now(UTC) - timedelta(hours=DRY_H), []
        for minute in range(0, DRY_H * 60, 2):
            at = begin + timedelta(minutes=minute)
            for quantity, value in (("temperature", 21.5), ("humidity", 45.0), ("airflow", 1.0)):
                messages.append(Message(at, f"{ROOM}/{quantity}/past", f"{value + minute % 7 / 10}".encode()))
            if minute == 10:
                told = f'"trees": {json.dumps(self._trees)}, "rack": "rack-a", "coat": "backup", "shelter": "open"'
                messages.append(Message(at, "drymon/shop/log/dip", f"{{{told}}}".encode()))
        with only_writer(config.database, begin) as store:
            pipeline = Pipeline(config, load_models(config.path), store)
            pipeline.batch(messages, messages[-1].arrived)
            pipeline.keep_image()

    def _strike(self, blow: str, number: int) -> None:
        """One kill, a dip about it, and the room served again."""
        time.sleep(self._luck.uniform(0.0, 1.5))
        before = self._luck.random() < 0.5
        if before:
            self._dip(number)
        time.sleep(self._luck.uniform(0.0, 0.5))
        kind, at = self._kill_serving() if blow == "serving" else self._strike_server(number)
        if not before:
            time.sleep(self._luck.uniform(0.0, 0.5))
            self._dip(number)
        if blow == "serving" and number % 4 == 0 and until(lambda: self.holder.now != "", 60):
            time.sleep(self._luck.uniform(0.0, 1.0))
            kind, at = "serving, while it takes over", self._kill_serving()[1]
        away = self.believer.wait_online(at, LONGEST_AWAY_S) - at
        self.away.setdefault(kind, []).append(away)
        print(f"{number:3} {kind:32} served again after {away:5.1f} s", flush=True)

    def _dip(self, number: int) -> None:
        tree, name = self._trees[number], f"blow-{number}"
        told = f'"tree": "{tree}", "rack": "rack-a", "coat": "backup", "number": 2, "id": "{name}"'
        self.hand.say("drymon/shop/log/dip", f"{{{told}}}")
        self.believer.dipped[tree] = (2, time.time())
        self.dips.append(name)

    def _kill_serving(self) -> tuple[str, float]:
        """What was done, and when."""
        holder = self.hosts[self.holder.now or HOSTS[0]]
        holder.end(signal.SIGKILL)
        at = time.time()
        holder.start(anew=True)
        return "serving", at

    def _strike_server(self, number: int) -> tuple[str, float]:
        how = BLOWS[number % len(BLOWS)]
        if how == "kill a process of the server":
            self._postgres.kill_backend("host-")
            return how, time.time()
        if how == "stop":
            self._postgres.stop("immediate")
        else:
            self._postgres.kill()
        at = time.time()
        time.sleep(self._luck.uniform(0.0, 2.0))
        self._postgres.start()
        return f"server: {how}", at

    def _settle(self) -> None:
        said = wanted(self.publisher.said)
        until(lambda: self.there()[0].total() >= said.total(), 60)
        time.sleep(1.0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--serving", type=int, default=50)
    parser.add_argument("--server", type=int, default=20)
    parser.add_argument("--rate", type=float, default=150.0, help="readings a second")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", help="a folder for the logs")
    args = parser.parse_args()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory() as name, cluster(durable=True) as postgres:
        folder = Path(args.keep or name)
        trial = Trial(folder, postgres, args.serving + args.server, args.rate, args.seed)
        trial.run(args.serving, args.server)
        tell(trial)


def tell(trial: Trial) -> None:
    """The table."""
    said = wanted(trial.publisher.said)
    readings, events = trial.there()
    dips = Counter(trial.dips)
    print(f"\n{'kind of kill':32} {'kills':>6} {'away: median':>13} {'worst':>7}")
    for kind, away in sorted(trial.away.items()):
        print(f"{kind:32} {len(away):6} {statistics.median(away):11.1f} s {max(away):5.1f} s")
    speakers = Counter(speaker for _, speaker in trial.broker.said)
    heard = ", ".join(f"{count} words of {speaker}" for speaker, count in sorted(speakers.items()))
    print(f"\n{said.total()} readings and {dips.total()} dips that the broker had; {heard} heard")
    lost, twice = (said - readings) + Counter(), readings - said
    print(f"lost: {lost.total()} readings, {(dips - events).total()} dips")
    print(f"twice: {twice.total()} readings, {(events - dips).total()} dips")
    print(f"false ready: {len(trial.believer.false)}; stale for {trial.believer.stale_s:.1f} s at most")
    print(f"out of turn: {spoke_out_of_turn(trial.broker.said, trial.holder.held)}")
    for words in trial.believer.false[:10]:
        print(f"  {words}")


if __name__ == "__main__":
    main()
