"""Where processes of `drymon` come from in most tests: one that has imported all of drymon forks them.

It is run as a script, by tests/processes.py, with the number of a socket. Each request comes with the process's stdin,
stdout and stderr, and with a socket of its own that is told the process's id and, at its end, how it ended.
"""

import atexit
import contextlib
import gc
import io
import json
import os
import selectors
import signal
import socket
import sys
import threading
import time
import traceback
from importlib import import_module
from pkgutil import walk_packages
from typing import Any

Waiting = dict[int, socket.socket]
"""The sockets of those who wait for a process, by its id."""


def main() -> None:
    """Serve until the other end of the socket is closed."""
    calls = socket.socket(fileno=int(sys.argv[1]))
    woken, wake = socket.socketpair()
    for end in (woken, wake):
        end.setblocking(False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(wake.fileno())
    waiting: Waiting = {}
    with selectors.DefaultSelector() as ready:
        ready.register(calls, selectors.EVENT_READ)
        ready.register(woken, selectors.EVENT_READ)
        while True:
            for key, _ in ready.select():
                if key.fileobj is woken:
                    woken.recv(4096)
                    _tell_of_ended(waiting)
                elif not _answered(calls, waiting):
                    return


def import_all() -> None:
    """Every module of drymon, and with it the libraries that it may use."""
    package = import_module("drymon")
    for module in walk_packages(package.__path__, "drymon."):
        if not module.name.endswith("__main__"):
            with contextlib.suppress(ImportError):  # of an extra that is not installed
                import_module(module.name)


def _answered(calls: socket.socket, waiting: Waiting) -> bool:
    """Take a request and fork what it asks for; whether there was one."""
    size, files, _, _ = socket.recv_fds(calls, 4, 4)
    if not size:
        return False
    request = b""
    while len(request) < int.from_bytes(size):
        request += calls.recv(int.from_bytes(size) - len(request))
    process = os.fork()
    if process == 0:
        _be(json.loads(request), files)
    *streams, told = files
    for each in streams:
        os.close(each)
    waiting[process] = socket.socket(fileno=told)
    waiting[process].sendall(f"{process}\n".encode())
    return True


def _tell_of_ended(waiting: Waiting) -> None:
    while waiting:
        try:
            process, status = os.waitpid(-1, os.WNOHANG)
        except ChildProcessError:
            return
        if process == 0:
            return
        with waiting.pop(process) as asker, contextlib.suppress(OSError):  # the asker may have gone
            asker.sendall(f"{os.waitstatus_to_exitcode(status)}\n".encode())


def _be(request: dict[str, Any], files: list[int]) -> None:
    """In the forked process: become the command, as if it had been started anew."""
    code = 1
    try:
        signal.set_wakeup_fd(-1)
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        for number, file in enumerate(files[:3]):
            os.dup2(file, number)
        os.closerange(3, min(os.sysconf("SC_OPEN_MAX"), 65536))
        os.environ.clear()
        os.environ.update(request["env"])
        time.tzset()
        os.chdir(request["cwd"])
        sys.argv = ["drymon", *request["words"]]
        # By these the service starts itself anew.
        sys.orig_argv = [sys.executable, "-m", "drymon.cli.main", *request["words"]]
        sys.stdin = io.TextIOWrapper(io.BufferedReader(io.FileIO(0, closefd=False)), encoding="utf-8")
        sys.stdout, sys.stderr = _writing(1, "strict"), _writing(2, "backslashreplace")
        code = import_module("drymon.cli.main").main()
    except SystemExit as leaving:
        code = leaving.code if isinstance(leaving.code, int) else 1
    except BaseException:
        traceback.print_exc()
    finally:
        _end(code)


def _writing(number: int, errors: str) -> io.TextIOWrapper:
    raw = io.BufferedWriter(io.FileIO(number, "w", closefd=False))
    return io.TextIOWrapper(raw, encoding="utf-8", errors=errors, line_buffering=number == 2 or raw.isatty())


def _end(code: int) -> None:
    """What Python does at the end of a process, in its order."""
    try:
        threading._shutdown()  # type: ignore[attr-defined]  # waits for threads that are no daemons
        atexit._run_exitfuncs()
        sys.stdout.flush()
        sys.stderr.flush()
    except BaseException:
        code = code or 120
    finally:
        os._exit(code & 0xFF)


if __name__ == "__main__":
    import_all()
    gc.collect()
    gc.freeze()  # no collection writes to pages which forked processes share
    main()
