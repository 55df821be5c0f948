"""Messages through the apprise library, in a child process that ends: the service itself must stay small.

`send` is for the service; run as a module this file is the child. The address, which holds secrets, goes over
standard input, never over the command line.
"""

import json
import subprocess
import sys
from pathlib import Path

from drymon.errors import SetupError
from drymon.messages.settings import read_secret

NOT_INSTALLED = f"apprise is not installed beside drymon: sudo {Path(sys.executable).parent}/pip install apprise"


def addresses(urls_file: Path) -> list[str]:
    """The addresses in a file, one a line; empty lines and those that begin with # do not count."""
    lines = [line.strip() for line in read_secret(urls_file).splitlines()]
    found = [line for line in lines if line and not line.startswith("#")]
    if not found:
        raise SetupError(f"{urls_file}: has no address; write one of apprise's addresses a line")
    return found


def send(urls_file: Path, line: int, title: str, text: str, timeout_s: float) -> None:
    """Tell the address number `line` (from 0). Raises OSError where it was not delivered, SetupError without it."""
    found = addresses(urls_file)
    if line >= len(found):
        raise SetupError(f"{urls_file}: has {len(found)} addresses now, number {line + 1} is gone")
    words = json.dumps({"url": found[line], "title": title, "text": text})
    command = [sys.executable, "-P", "-m", __name__]
    try:
        done = subprocess.run(command, input=words, capture_output=True, text=True, timeout=timeout_s, check=False)
    except subprocess.TimeoutExpired as error:
        raise OSError(f"apprise gave no answer within {timeout_s:.0f} s") from error
    if done.returncode:
        raise OSError(done.stderr.strip().splitlines()[-1] if done.stderr.strip() else "apprise could not deliver")


def _child() -> int:
    try:
        import apprise
    except ImportError:
        print(NOT_INSTALLED, file=sys.stderr)
        return 3
    words = json.load(sys.stdin)
    sender = apprise.Apprise()
    if not sender.add(words["url"]):
        print("apprise does not know this kind of address; see its documentation", file=sys.stderr)
        return 2
    delivered = sender.notify(body=words["text"], title=words["title"])
    if not delivered:
        print("the service behind the address did not take the message", file=sys.stderr)
    return 0 if delivered else 1


if __name__ == "__main__":
    sys.exit(_child())
