"""The stand-in for systemctl: starts, stops and reloads real processes by the unit that install.sh has put in place.

They stay in the process group of the test, so that what ends the test ends them.
"""

import os
import shlex
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(os.environ.get("ROOT", "/nonexistent"))
UP_S = 60.0


def main(words: list[str]) -> None:
    """systemctl VERB UNIT…"""
    verb, *units = [word for word in words if not word.startswith("-")]
    for unit in units:
        {"restart": _restart, "start": _restart, "enable": _restart, "stop": _stop, "reload": _reload}[verb](unit)


def _pid_file(unit: str) -> Path:
    return ROOT / "run" / f"{unit}.pid-of-trial"


def _restart(unit: str) -> None:
    _stop(unit)
    start = _start_mosquitto if unit == "mosquitto" else _start_by_unit
    _pid_file(unit).write_text(str(start(unit)), encoding="ascii")


def _stop(unit: str) -> None:
    if not _pid_file(unit).exists():
        return
    pid = int(_pid_file(unit).read_text())
    _pid_file(unit).unlink()
    try:
        os.kill(pid, signal.SIGTERM)
        for _ in range(600):
            os.kill(pid, 0)
            time.sleep(0.05)
    except ProcessLookupError:
        return
    sys.exit(f"{unit} does not stop")


def _reload(unit: str) -> None:
    if _pid_file(unit).exists():
        os.kill(int(_pid_file(unit).read_text()), signal.SIGHUP)


def _start_mosquitto(_: str) -> int:
    conf = ROOT / "etc/mosquitto/mosquitto.conf"
    log = (ROOT / "var/log/mosquitto.stderr").open("ab")
    started = subprocess.Popen(["mosquitto", "-c", str(conf)], stdin=subprocess.DEVNULL, stdout=log, stderr=log)
    port = int(os.environ["MQTT_PORT"])
    for _try in range(int(UP_S / 0.05)):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return started.pid
        if started.poll() is not None:
            break
        time.sleep(0.05)
    sys.exit(f"mosquitto did not come up: {Path(log.name).read_text()}")


def _start_by_unit(unit: str) -> int:
    """What systemd does with a unit of Type=notify, as far as it can be done without being systemd."""
    settings = [
        line.split("=", 1)
        for line in (ROOT / f"etc/systemd/system/{unit}.service").read_text().splitlines()
        if "=" in line and not line.startswith("#")
    ]
    assert ["Type", "notify"] in settings
    command = next(value for key, value in settings if key == "ExecStart")
    environment = dict(value.split("=", 1) for key, value in settings if key == "Environment")
    address = f"\0drymon-trial-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address)
        manager.settimeout(UP_S)
        log = (ROOT / f"var/log/{unit}.stderr").open("ab")
        told = {
            **os.environ,
            **environment,
            "MPLCONFIGDIR": str(ROOT / "run"),
            "XDG_CACHE_HOME": str(ROOT / "run"),
            "NOTIFY_SOCKET": "@" + address[1:],
        }
        started = subprocess.Popen(shlex.split(command), env=told, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        while b"READY=1" not in manager.recv(4096):
            if started.poll() is not None:
                sys.exit(f"{unit} ended: {Path(log.name).read_text()}")
    return started.pid
