"""A copy of the checkout in which one module at a time carries a fault, and its tests are asked whether they notice.

The checkout itself is never written to. The copy's package stands as an installed one does, first on the path of the
tests and of every program that they start.
"""

import compileall
import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from py_compile import PycInvalidationMode

from benchmarks.mutants.changes import Mutant

NOT_COPIED = shutil.ignore_patterns(".*", "__pycache__", "*.egg-info", "build", "dist", "node_modules")
PATIENCE, PATIENCE_S = 5.0, 60.0
"""A mutant may take that many times as long as its tests do without a fault, and that much longer."""

GREEN, RED, BROKEN = 0, 1, 2
"""What pytest ends with: all passed, some failed, stopped early (a module that cannot be imported)."""


class TrialError(Exception):
    """The tests cannot judge: they fail without a fault, or there are none."""


@dataclass(frozen=True)
class Layout:
    """Where things stand in a checkout: the package, and folders that are installed inside it."""

    root: Path
    package: str = "drymon"
    installed_inside: tuple[str, ...] = ("models", "demo_streams")

    def source(self, module: str) -> Path:
        return self.root / self.package / f"{module}.py"


@dataclass(frozen=True)
class Judged:
    """`verdict`: killed, survived, timed out. `by`: the test that noticed first."""

    verdict: str
    by: str
    seconds: float


class Trial:
    """The copy, and how its tests are run."""

    def __init__(self, layout: Layout, folder: Path) -> None:
        self._layout, self._folder = layout, folder
        self._checkout, self._path = folder / "checkout", folder / "installed"
        shutil.copytree(layout.root, self._checkout, ignore=NOT_COPIED)
        installed = self._path / layout.package
        shutil.copytree(self._checkout / layout.package, installed)
        for inside in layout.installed_inside:
            shutil.copytree(self._checkout / inside, installed / inside)
        # By content and not by time: a fault may be as long as what it replaces, and written in the same second.
        compileall.compile_dir(installed, quiet=2, invalidation_mode=PycInvalidationMode.CHECKED_HASH)
        self._check_path()

    def digest(self, test: str) -> str:
        """Of what a file of tests stands on: the package, itself, what is set up for it."""
        tests = self._checkout / "tests"
        file = tests / test.split("::")[0]
        if not file.exists():
            raise TrialError(f"tests.toml names {test}, and there is no such file below tests/")
        setups = [folder / "conftest.py" for folder in (tests, file.parent)]
        code = sorted((self._checkout / self._layout.package).rglob("*.py"))
        parts = hashlib.sha256(test.encode())
        for path in [file, *filter(Path.exists, setups), *code]:
            parts.update(path.read_bytes())
        return parts.hexdigest()[:16]

    def green_s(self, test: str) -> float:
        """How long the tests take without a fault; TrialError where they fail."""
        code, said, seconds = self._pytest([test], 3600.0)
        if code != GREEN:
            raise TrialError(f"{test}: not green without a fault (pytest ended with {code}):\n{said[-2000:]}")
        return seconds

    def judge(self, mutant: Mutant, tests: list[str], green_s: float) -> Judged:
        """Whether the tests notice the mutant."""
        path = self._path / self._layout.package / f"{mutant.module}.py"
        whole = path.read_text(encoding="utf-8")
        path.write_text(mutant.text, encoding="utf-8")
        try:
            code, said, seconds = self._pytest(tests, PATIENCE * green_s + PATIENCE_S)
        finally:
            path.write_text(whole, encoding="utf-8")
        if code is None:
            return Judged("timed out", "", seconds)
        if code not in (GREEN, RED, BROKEN):
            raise TrialError(f"{mutant.module}, line {mutant.line}: pytest ended with {code}:\n{said[-2000:]}")
        return Judged("survived" if code == GREEN else "killed", _noticed_by(said), seconds)

    def _pytest(self, tests: list[str], timeout_s: float) -> tuple[int | None, str, float]:
        words = ["-q", "-x", "--tb=no", "-rfE", "-p", "no:cacheprovider", *[f"tests/{test}" for test in tests]]
        if find_spec("hypothesis"):
            words.append("--hypothesis-seed=0")
        return self._python(["-m", "pytest", *words], timeout_s)

    def _python(self, words: list[str], timeout_s: float) -> tuple[int | None, str, float]:
        """Exit code (None: stopped, with all that it started), what was said, seconds."""
        began = time.monotonic()
        process = subprocess.Popen(
            [sys.executable, "-P", *words],
            cwd=self._checkout,
            env=self._environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        try:
            said, _ = process.communicate(timeout=timeout_s)
            code: int | None = process.returncode
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            said, code = process.communicate()[0], None
        return code, said, time.monotonic() - began

    def _environment(self) -> dict[str, str]:
        beside = str(Path(sys.executable).parent)
        return {
            **os.environ,
            "PATH": f"{beside}{os.pathsep}{os.environ.get('PATH', '')}",
            "PYTHONPATH": str(self._path),
            "PYTHONSAFEPATH": "1",
            "PYTHONDONTWRITEBYTECODE": "1",
        }

    def _check_path(self) -> None:
        package = self._layout.package
        _, said, _ = self._python(["-c", f"import {package}; print({package}.__file__)"], 60.0)
        if not said.strip().startswith(str(self._path)):
            raise TrialError(f"the tests would meet {said.strip()} and not the copy in {self._path}")


def _noticed_by(said: str) -> str:
    """The first failed test of pytest's summary."""
    for line in said.splitlines():
        if line.startswith(("FAILED ", "ERROR ")):
            return line.split(" ", 1)[1].split(" - ")[0].removeprefix("tests/")
    return ""
