"""kill -9 in the midst of writing, again and again: what was counted as kept is there."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from drymon_sensors.buffer.ring import Kept, Ring

KILLS = 25

WRITER = """
import sys
from drymon_sensors.buffer.ring import Ring
ring = Ring(sys.argv[1], "session", 64 << 20)
first = int(sys.argv[2])
for n in range(first, first + 10**9):
    boot, seq = ring.append([n, "x" * (n % 97)])
    sys.stdout.write(f"{n} {boot} {seq}\\n")
    sys.stdout.flush()
    if n % 50 == 0:
        ring.sync()
"""


@pytest.mark.timeout(180)
def test_nothing_counted_as_kept_is_lost_when_the_program_is_killed_again_and_again(tmp_path: Path) -> None:
    moments = random.Random(11)
    told: dict[int, tuple[str, int]] = {}
    for _ in range(KILLS):
        command = [sys.executable, "-c", WRITER, str(tmp_path), str(len(told))]
        writer = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert writer.stdout is not None
        for _ in range(moments.randrange(1, 400)):
            number, boot, seq = writer.stdout.readline().split()
            told[int(number)] = (boot, int(seq))
        writer.send_signal(signal.SIGKILL)
        for line in writer.stdout:  # what it had counted as kept before it died
            if line.endswith("\n"):
                number, boot, seq = line.split()
                told[int(number)] = (boot, int(seq))
        writer.wait()
    ring = Ring(str(tmp_path), "session", 64 << 20)
    found: dict[int, tuple[str, int]] = {}
    order = []
    while (entry := ring.next()) is not None:
        assert isinstance(entry, Kept)
        number = entry.content[0]
        assert entry.content[1] == "x" * (number % 97)
        if told.get(number) == (entry.boot, entry.seq):  # one that was not told of before the blow is there twice
            found[number] = (entry.boot, entry.seq)
            order.append(number)
    assert len(told) > KILLS
    assert found == told
    assert order == sorted(told)
    assert ring.damaged == 0
