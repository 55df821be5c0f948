"""What a running process holds, as the kernel counts it."""

from pathlib import Path

OWN_MB = 58
"""What the service may hold of its own: with 22 MB of libraries' pages, 80 MB in all."""


def own_mb(pid: int) -> float:
    """Resident memory that is the process's own, in MiB.

    Pages of libraries are left out: the kernel shares them, drops them at will, and maps more or fewer of them ahead
    by the file system they lie on: 22 to 30 MB for the same service, on one disk and another.
    """
    lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    return int(next(line for line in lines if line.startswith("RssAnon")).split()[1]) / 1024
