"""Asks the tests whether they notice single faults in the code that a shell's safety rests on.

    python -m benchmarks.mutants.run --each 15                      # fifteen of each folder, goes on from mutants.jsonl
    python -m benchmarks.mutants.run --folders shop --each 40
    python -m benchmarks.mutants.run --modules shop/judge --each 999
    python -m benchmarks.mutants.run --without drying/coat          # what is being worked on
    python -m benchmarks.mutants.run --again                        # judge again what survived, after new tests
    python -m benchmarks.mutants.run --tell                         # print the table and judge nothing

README.md beside this file says more.
"""

import argparse
import hashlib
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from benchmarks.mutants.changes import Mutant, mutants
from benchmarks.mutants.marked import Equivalent, TableError, read_equivalent, read_tests, stale
from benchmarks.mutants.report import survivors, table
from benchmarks.mutants.results import Result, Results
from benchmarks.mutants.trial import Layout, Trial, TrialError

ROOT = Path(__file__).resolve().parents[2]
NICE = 15


def main() -> int:
    options = _options()
    os.nice(NICE)
    layout, tests = Layout(ROOT), read_tests()
    try:
        found = find(layout, tests, options.folders, options.modules, options.without)
        marks = read_equivalent()
        tell_stale(marks, found)
        chosen = sample(found, options.each, options.seed)
        results = Results(options.results)
        if not options.tell:
            with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
                judge_all(Trial(layout, Path(folder)), unmarked(chosen, marks), tests, results, options.again)
    except (TableError, TrialError) as error:
        print(error, file=sys.stderr)
        return 1
    tell(chosen, marks, results, layout.package)
    return 0


def find(
    layout: Layout,
    tests: dict[str, list[str]],
    folders: Sequence[str] = (),
    modules: Sequence[str] = (),
    without: Sequence[str] = (),
) -> list[Mutant]:
    """All mutants of the modules that the table names, or of those of them that were asked for."""
    asked = [
        module
        for module in tests
        if (not folders or module.split("/")[0] in folders) and (not modules or module in modules)
        if module not in without
    ]
    if not asked:
        raise TableError(
            f"nothing to do for {' '.join([*folders, *modules]) or 'all'}; tests.toml has {', '.join(sorted(tests))}"
        )
    found = []
    for module in asked:
        path = layout.source(module)
        if not path.exists():
            raise TableError(f"tests.toml names {module}, and there is no {path}: take it out, or put its new name")
        found += mutants(module, path.read_text(encoding="utf-8"))
    return found


def tell_stale(marks: list[Equivalent], found: list[Mutant]) -> None:
    for mark in stale(marks, found):
        where = f"{mark.module} in {mark.function}: {mark.old} -> {mark.new}"
        print(f"equivalent.toml marks what is no longer there; take it out: {where}", file=sys.stderr)


def sample(found: list[Mutant], each: int, seed: int) -> list[Mutant]:
    """So many of each folder. A larger sample of the same seed holds the smaller one."""
    folders: dict[str, list[Mutant]] = {}
    for mutant in sorted(found, key=lambda one: hashlib.sha256(f"{seed} {one.id}".encode()).digest()):
        folders.setdefault(mutant.module.split("/")[0], []).append(mutant)
    return [mutant for of_folder in folders.values() for mutant in of_folder[:each]]


def unmarked(chosen: list[Mutant], marks: list[Equivalent]) -> list[Mutant]:
    return [mutant for mutant in chosen if not any(mark.is_of(mutant) for mark in marks)]


def judge_all(trial: Trial, chosen: list[Mutant], tests: dict[str, list[str]], results: Results, again: bool) -> None:
    """One after the other, those without a verdict; and those that survived, where asked."""
    todo = [one for one in chosen if (had := results.of(one.id)) is None or (again and had.verdict == "survived")]
    for count, mutant in enumerate(todo, 1):
        asked = tests[mutant.module]
        judged = trial.judge(mutant, asked, sum(green_s(trial, test, results) for test in asked))
        about = (mutant.id, mutant.module, mutant.line, mutant.function, mutant.old, mutant.new)
        results.add(Result(*about, judged.verdict, judged.by, round(judged.seconds, 1)))
        where = f"{mutant.module}.py:{mutant.line}"
        print(f"{count}/{len(todo)} {judged.verdict:9} {where} {mutant.old} -> {mutant.new}", flush=True)


def green_s(trial: Trial, test: str, results: Results) -> float:
    """How long a file of tests takes without a fault; not asked again while it and the code are the same."""
    digest = trial.digest(test)
    known = results.green_s(digest)
    if known is None:
        known = trial.green_s(test)
        results.add_green(digest, known)
    return known


def tell(chosen: list[Mutant], marks: list[Equivalent], results: Results, package: str) -> None:
    left = unmarked(chosen, marks)
    judged = [result for mutant in left if (result := results.of(mutant.id)) is not None]
    no_fault = Counter(mutant.module.split("/")[0] for mutant in set(chosen) - set(left))
    print(table(judged, no_fault))
    alive = survivors(judged, package)
    if alive:
        print(f"\nsurvived:\n{alive}")
    if len(judged) < len(left):
        print(f"\n{len(left) - len(judged)} not judged yet")


def _options() -> argparse.Namespace:
    words = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    words.add_argument("--folders", nargs="*", default=[], help="shop, messages, ...; all of the table without")
    words.add_argument("--modules", nargs="*", default=[], help="shop/judge, ...")
    words.add_argument("--without", nargs="*", default=[], help="modules to leave out")
    words.add_argument("--each", type=int, default=15, help="how many of each folder")
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--results", type=Path, default=Path("mutants.jsonl"))
    words.add_argument("--again", action="store_true", help="judge again what survived")
    words.add_argument("--tell", action="store_true", help="print the table and judge nothing")
    return words.parse_args()


if __name__ == "__main__":
    sys.exit(main())
