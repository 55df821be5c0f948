"""A trial installation that a page's commands can be copied into: everything real but the machine's own services.

`install.sh` puts drymon, its mosquitto configuration and its unit below a folder; mosquitto and `drymon serve` run as
real processes. Stand-ins on the PATH take the place of what needs root: `sudo` runs the command as the same user,
`systemctl` starts what the installed unit says and waits for its READY=1.
"""

import os
import re
import shutil
import site
import socket
import subprocess
import sys
import textwrap
from importlib.util import find_spec, module_from_spec, spec_from_file_location
from pathlib import Path

from tests.docs.markdown import REPOSITORY, Block

LONGEST_S = 400

SUDO = """\
#!/bin/sh
while :; do
    case ${1:-} in
    -u) shift 2 ;;
    *=*) export "$1" && shift ;;
    *) break ;;
    esac
done
exec "$@"
"""
SYSTEMCTL = f"""\
#!{sys.executable}
import sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
from services import main
main(sys.argv[1:])
"""


class Trial:
    """The folder, and commands run in it as a person would."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "root"
        self.desk = folder / "desk"  # the folder in which the person stands: a clone of the repository
        self.port, self.page_port = free_port(), free_port()
        tools = folder / "stand-ins"
        for each in (self.root, self.desk, tools, folder / "config"):
            each.mkdir()
        for name, text in (("sudo", SUDO), ("systemctl", SYSTEMCTL)):
            (tools / name).write_text(text, encoding="utf-8")
            (tools / name).chmod(0o755)
        (self.desk / "tmp").mkdir()
        for part in ("docs", "demo_streams", "sensors"):
            (self.desk / part).symlink_to(REPOSITORY / part)
        # mosquitto_pub and mosquitto_sub read their usual options here
        for name in ("mosquitto_pub", "mosquitto_sub"):
            (folder / "config" / name).write_text(f"-p {self.port}\n", encoding="ascii")
        self.env = self._environment(folder, tools)
        self._broker_base()
        self._venv("opt/drymon")
        self._venv("opt/drymon-sensors")
        _wired(folder / "sys")

    def _environment(self, folder: Path, tools: Path) -> dict[str, str]:
        # Without the second, each of a hundred commands would compile what the first of them has compiled.
        left_out = ("DRYMON", "PYTHONDONTWRITEBYTECODE")
        keep = {k: v for k, v in os.environ.items() if not k.startswith(left_out)}
        path = os.pathsep.join([str(tools), str(self.root / "usr/local/bin"), keep.get("PATH", ""), "/usr/sbin"])
        built_here = {"PIP_NO_BUILD_ISOLATION": "1"} if find_spec("setuptools") else {}
        return {
            **keep,
            **built_here,
            "PATH": path,
            "ROOT": str(self.root),
            "MQTT_PORT": str(self.port),
            "DRYMON_SENSORS_SYS": str(folder / "sys"),
            "PYTHON": sys.executable,
            "HOME": str(folder),
            "XDG_CONFIG_HOME": str(folder / "config"),
            "PIP_NO_COMPILE": "1",
            "COLUMNS": "100",
            "LC_ALL": "C.UTF-8",
        }

    def _broker_base(self) -> None:
        """The distribution's own mosquitto.conf, with its places below the trial's folder."""
        base = Path("/etc/mosquitto/mosquitto.conf").read_text(encoding="utf-8")
        moved = re.sub(r"(?m)(?<= )/(?=run|var|etc)", f"{self.root}/", base)
        for place in ("run/mosquitto", "var/lib/mosquitto", "var/log/mosquitto", "etc/mosquitto/conf.d"):
            (self.root / place).mkdir(parents=True)
        # As root mosquitto would become a user who cannot reach the trial's folder.
        user = "user root\n" if os.getuid() == 0 else ""
        (self.root / "etc/mosquitto/mosquitto.conf").write_text(user + moved, encoding="utf-8")

    def _venv(self, place: str) -> None:
        """A fresh environment that finds the libraries which this test runs with: drymon itself is built and installed
        anew, half a gigabyte of libraries is not fetched again.
        """
        prefix = self.root / place
        own_pip = [] if find_spec("pip") is None else ["--without-pip"]  # then it finds the one that is here
        subprocess.run([sys.executable, "-m", "venv", *own_pip, str(prefix)], check=True, timeout=LONGEST_S)
        own = next(prefix.glob("lib/python3*/site-packages"))
        (own / "libraries.pth").write_text("\n".join(site.getsitepackages()) + "\n", encoding="utf-8")

    def run(self, text: str, within_s: float = LONGEST_S) -> subprocess.CompletedProcess[str]:
        """A block of commands in one shell that stops at the first failure."""
        script = "set -eu\n" + text
        return subprocess.run(
            ["sh", "-c", script],
            cwd=self.desk,
            env=self.env,
            stdin=subprocess.DEVNULL,  # nobody is there to be asked, whoever runs the tests
            capture_output=True,
            text=True,
            timeout=within_s,
        )

    def moved(self, text: str) -> str:
        """The installation's places in a command, moved below the trial's folder as install.sh moves them."""
        text = text.replace(" /tmp/", f" {self.desk}/tmp/")
        return re.sub(
            r"(?<![\w/])/(?=var/lib/drymon|etc/mosquitto|etc/drymon-sensors|opt/drymon|var/log/mosquitto)",
            f"{self.root}/",
            text,
        )

    def copied(self, block: Block) -> str:
        """A block's commands, run; what they said on stdout and stderr."""
        done = self.run(self.moved(block.text))
        said = done.stdout + done.stderr
        assert done.returncode == 0, f"{block} ended with {done.returncode}:\n{textwrap.indent(said, '  ')}"
        return said

    def begin(self) -> None:
        """What install.sh does at the end of a real installation; the page on a port that is free here."""
        room = self.root / "var/lib/drymon/room.toml"
        room.write_text(room.read_text(encoding="utf-8").replace("port = 8480", f"port = {self.page_port}"), "utf-8")
        done = self.run("systemctl restart mosquitto drymon")
        assert done.returncode == 0, done.stderr

    def begin_node(self) -> None:
        """The node's file as the page has it written, with the broker's port of here."""
        file = self.root / "etc/drymon-sensors/sensors.toml"
        text = file.read_text(encoding="utf-8")
        file.write_text(text.replace("[broker]\n", f"[broker]\nport = {self.port}\n"), encoding="utf-8")
        state = self.root / "var/lib/drymon-sensors"
        file.write_text(file.read_text("utf-8").replace("[node]\n", f'[node]\nstate = "{state}"\n'), encoding="utf-8")

    def stop(self) -> None:
        """End the processes that the stand-in has started, and wait for it."""
        self.run("systemctl stop drymon-sensors drymon mosquitto")


def _wired(tree: Path) -> None:
    """Kernel files as one humidity chip on I2C makes them, in place of what no test has: the chip."""
    spec = spec_from_file_location("drymon_sensors_trial", REPOSITORY / "sensors/drymon_sensors/trial.py")
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    module.drying_room(str(tree))


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def missing_tools() -> list[str]:
    """What of the distribution's mosquitto is not installed here."""
    path = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin"])
    tools = ("mosquitto", "mosquitto_pub", "mosquitto_sub", "mosquitto_passwd")
    return [tool for tool in tools if shutil.which(tool, path=path) is None]
