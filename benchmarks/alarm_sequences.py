"""Runs the alarm book's random sequences at full count: python benchmarks/alarm_sequences.py [COUNT]."""

import os
import subprocess
import sys
import time
from pathlib import Path

TEST = Path(__file__).parent.parent / "tests" / "shop" / "test_alarms_sequences.py"


def main() -> int:
    """Runs COUNT (10,000) sequences and says how long they took; the exit code is the test's."""
    count = sys.argv[1] if len(sys.argv) > 1 else "10000"
    started = time.perf_counter()
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--timeout=3600", str(TEST)]
    done = subprocess.run(command, env={**os.environ, "DRYMON_ALARM_SEQUENCES": count}, check=False)
    print(f"{count} sequences in {time.perf_counter() - started:.0f} s: exit {done.returncode}")
    return done.returncode


if __name__ == "__main__":
    sys.exit(main())
