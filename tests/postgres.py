"""A real PostgreSQL server for tests: Debian's, in a temporary folder, reached by its socket alone."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

import psutil
import pytest

from drymon.messages.settings import Server

USER = "drymon"
_rooms = count(1)


def programs() -> Path:
    """The folder of the server's programs; skips the test where there are none, or no driver."""
    pytest.importorskip("psycopg", reason="psycopg is not installed: pip install 'drymon[postgres]'")
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda file: int(file.parts[-3]))
    on_path = shutil.which("initdb")
    if not found and on_path is None:
        pytest.skip("no PostgreSQL server here: apt install postgresql")
    return found[-1].parent if found else Path(str(on_path)).parent


class Cluster:
    """One server. `url`: of its first database."""

    def __init__(self, folder: Path, bin_: Path, *, durable: bool = False, connections: int = 40) -> None:
        self._folder, self._bin, self._durable, self._connections = folder, bin_, durable, connections
        self._addresses = ""
        self.url = f"postgresql://{USER}@/postgres?host={folder}"

    def make(self) -> None:
        """Make it, empty."""
        options = "-A trust --no-sync --encoding UTF8 --locale C.UTF-8"
        self._run("initdb", "-D", str(self._folder / "data"), "-U", USER, *options.split())

    def start(self, *, lets_in: bool = True) -> None:
        """Start it, and wait until it answers; lets_in False: it takes up its log, and lets nobody in while it does."""
        settings = f"-c listen_addresses={self._addresses} -c unix_socket_directories={self._folder}"
        settings += f" -c max_connections={self._connections}"
        quick = "" if self._durable else " -c fsync=off -c full_page_writes=off"
        recovers = self._folder / "data" / "standby.signal"
        recovers.unlink(missing_ok=True)
        if not lets_in:
            recovers.touch()
            settings += " -c hot_standby=off"
        log = str(self._folder / "log")
        self._run("pg_ctl", "-D", str(self._folder / "data"), "-w", "-l", log, "-o", settings + quick, "start")

    def stop(self, how: str = "fast") -> None:
        """Stop it: `fast` lets nobody finish, `immediate` is as if it had crashed."""
        self._run("pg_ctl", "-D", str(self._folder / "data"), "-w", "-m", how, "stop")

    def listen(self, address: str, network: str) -> None:
        """Start it anew, and let all of a network in at an address."""
        self.stop()
        with (self._folder / "data" / "pg_hba.conf").open("a") as rules:
            rules.write(f"host all all {network} trust\n")
        self._addresses = address
        self.start()

    def kill(self) -> None:
        """SIGKILL to its first process; returns when the others have found that out and ended."""
        first = self.first()
        others = first.children()
        first.kill()
        psutil.wait_procs([first, *others], 30)

    def kill_backend(self, name: str) -> None:
        """SIGKILL to the process that serves a connection whose application's name begins so: the server ends all
        others, and comes back by itself.
        """
        import psycopg

        asked = f"SELECT pid FROM pg_stat_activity WHERE application_name LIKE '{name}%' LIMIT 1"
        with psycopg.connect(self.url) as db:
            row = db.execute(asked).fetchone()
        assert row is not None, f"nobody named {name} is connected"
        psutil.Process(row[0]).kill()

    def first(self) -> psutil.Process:
        """Its first process."""
        return psutil.Process(int((self._folder / "data" / "postmaster.pid").read_text().split()[0]))

    def room(self, name: str = "") -> Server:
        """A room of its own on it, not made yet."""
        return Server(self.url, name or f"room-{os.getpid()}-{next(_rooms)}")

    def database(self) -> str:
        """The url of a new, empty database on it: for homes whose room has a name of its own."""
        name = f"d{os.getpid()}-{next(_rooms)}"
        self._run("createdb", "-h", str(self._folder), "-U", USER, name)
        return self.url.replace("/postgres?", f"/{name}?")

    def _run(self, program: str, *words: str) -> None:
        """As a user who is not root, which the server refuses to be."""
        command = [str(self._bin / program), *words]
        if os.geteuid() == 0:
            user = pwd.getpwnam("nobody")
            command = ["setpriv", f"--reuid={user.pw_uid}", f"--regid={user.pw_gid}", "--clear-groups", *command]
        # Its output goes to a file: the server would hold a pipe open for as long as it runs.
        with tempfile.TemporaryFile() as said:
            done = subprocess.run(command, stdout=said, stderr=said, cwd="/", check=False)
            said.seek(0)
            assert done.returncode == 0, said.read().decode()


@contextmanager
def cluster(*, durable: bool = False, connections: int = 40) -> Iterator[Cluster]:
    """A server that runs; durable: what it says is on disk survives its crash; connections: it takes at most."""
    bin_ = programs()
    folder = Path(tempfile.mkdtemp(prefix="drymon-pg-", dir="/tmp"))  # a socket's path may have 107 bytes
    try:
        if os.geteuid() == 0:
            user = pwd.getpwnam("nobody")
            os.chown(folder, user.pw_uid, user.pw_gid)
        made = Cluster(folder, bin_, durable=durable, connections=connections)
        made.make()
        made.start()
        try:
            yield made
        finally:
            made.stop("immediate")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
