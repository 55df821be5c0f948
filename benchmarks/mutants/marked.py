"""The tables beside this module: which tests judge a module, and which mutants are no faults."""

import tomllib
from dataclasses import dataclass
from pathlib import Path

from benchmarks.mutants.changes import Mutant

HERE = Path(__file__).parent


class TableError(Exception):
    """A table that does not fit the code: what was found, what would do."""


@dataclass(frozen=True)
class Equivalent:
    """A change that nobody could notice, and why."""

    module: str
    function: str
    old: str
    new: str
    why: str

    def is_of(self, mutant: Mutant) -> bool:
        return (self.module, self.function, self.old, self.new) == (
            mutant.module,
            mutant.function,
            mutant.old,
            mutant.new,
        )


def read_tests(path: Path = HERE / "tests.toml") -> dict[str, list[str]]:
    """Each module's tests, in the order in which they are run."""
    folders = tomllib.loads(path.read_text(encoding="utf-8"))
    return {f"{folder}/{name}": tests for folder, modules in folders.items() for name, tests in modules.items()}


def read_equivalent(path: Path = HERE / "equivalent.toml") -> list[Equivalent]:
    """Every mark has its reason."""
    marks = []
    for entry in tomllib.loads(path.read_text(encoding="utf-8")).get("equivalent", []):
        if not str(entry.get("why", "")).strip():
            raise TableError(f"{path}: {entry} has no reason; say in why what makes it no fault")
        marks.append(Equivalent(**entry))
    return marks


def stale(marks: list[Equivalent], found: list[Mutant]) -> list[Equivalent]:
    """Marks of modules that were looked at, for mutants that are no longer there."""
    modules = {mutant.module for mutant in found}
    return [mark for mark in marks if mark.module in modules and not any(map(mark.is_of, found))]
