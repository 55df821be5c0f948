"""The table of a run, and its survivors. Pure."""

from collections.abc import Iterable

from benchmarks.mutants.results import Result

HEADS = ("folder", "judged", "killed", "timed out", "survived", "noticed")
WIDTH = 12


def table(results: Iterable[Result], equivalent: dict[str, int]) -> str:
    """A line for each folder. What timed out was noticed; what is marked as no fault is counted apart."""
    by_folder: dict[str, list[Result]] = {}
    for result in results:
        by_folder.setdefault(result.module.split("/")[0], []).append(result)
    lines = ["".join(f"{head:>{WIDTH}}" for head in (*HEADS, "no fault"))]
    for folder, judged in sorted(by_folder.items()):
        counts = [sum(one.verdict == verdict for one in judged) for verdict in ("killed", "timed out", "survived")]
        noticed = f"{100.0 * (counts[0] + counts[1]) / len(judged):.0f} %"
        cells = (folder, len(judged), *counts, noticed, equivalent.get(folder, 0))
        lines.append("".join(f"{cell:>{WIDTH}}" for cell in cells))
    return "\n".join(lines)


def survivors(results: Iterable[Result], package: str) -> str:
    """Where each stands, and what was changed."""
    alive = sorted((one for one in results if one.verdict == "survived"), key=lambda one: (one.module, one.line))
    return "\n".join(
        f"{package}/{one.module}.py:{one.line} in {one.function or 'the module'}\n    - {one.old}\n    + {one.new}"
        for one in alive
    )
