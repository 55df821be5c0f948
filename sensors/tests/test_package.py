"""What is installed: a light package that needs paho alone, of Python 3.9 syntax, with every module in its wheel."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "drymon_sensors"
MODULES = sorted(PACKAGE.rglob("*.py"))
PROJECT = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
PURE = ("payload", "curve", "quantities", "buffer/record", "sources/lines")


def imported(path: Path) -> set[str]:
    """The modules that a file imports, by their full names."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute"
            found.add(node.module or "")
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_module_reads_as_python_3_9_and_stays_short(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    ast.parse(text, feature_version=(3, 9))
    assert "from __future__ import annotations" in text or "|" not in text
    assert len(text.splitlines()) <= 260


def test_drymon_is_not_imported_nor_any_library_but_paho_and_where_a_port_is_used_pyserial() -> None:
    if sys.version_info < (3, 10):
        pytest.skip("sys.stdlib_module_names is of Python 3.10")
    outside = {
        (name.split(".")[0], str(path.relative_to(PACKAGE)))
        for path in MODULES
        for name in imported(path)
        if name.split(".")[0] not in sys.stdlib_module_names
    }
    users = {name: {user for each, user in outside if each == name} for name, _ in outside}
    assert set(users) == {"drymon_sensors", "paho", "serial", "tomli"}
    assert {user.split("/")[0] for user in users["paho"]} == {"link"}
    assert users["serial"] == {"sources/port.py"}
    assert users["tomli"] == {"config.py"}


@pytest.mark.parametrize("name", PURE)
def test_pure_modules_know_no_clock_no_disk_and_no_wire(name: str) -> None:
    used = {each.split(".")[0] for each in imported(PACKAGE / f"{name}.py")}
    assert not used & {"os", "io", "time", "socket", "threading", "queue", "logging", "paho", "serial", "secrets"}


def test_running_needs_nothing_but_the_standard_library_and_paho() -> None:
    """In a fresh process, everything else forbidden."""
    code = """
import importlib.abc, sys
class Door(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        top = name.split(".")[0]
        known = {"drymon_sensors", "paho", "tomli"} | set(getattr(sys, "stdlib_module_names", {top}))
        if top not in known:
            raise ImportError(f"{name} is forbidden here")
sys.meta_path.insert(0, Door())
import drymon_sensors.cli.run
assert not [name for name in sys.modules if name == "drymon" or name.startswith("drymon.")]
print("well")
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout == "well\n", done.stderr


def test_paho_is_the_only_hard_dependency() -> None:
    listed = re.search(r"^dependencies = \[(.*?)^\]", PROJECT, re.MULTILINE | re.DOTALL)
    assert listed
    hard = re.findall(r'^ +"([^"]+)"', listed[1], re.MULTILINE)
    assert [line for line in hard if "python_version" not in line] == ["paho-mqtt>=2.1"]
    assert [line for line in hard if "python_version" in line] == ["tomli>=1.1; python_version < '3.11'"]


def test_the_list_of_packages_is_the_list_of_folders() -> None:
    listed = re.search(r"^packages = \[\n(.*?)^\]", PROJECT, re.MULTILINE | re.DOTALL)
    assert listed
    folders = {".".join(path.parent.relative_to(ROOT).parts) for path in PACKAGE.rglob("__init__.py")}
    assert set(re.findall(r'"([^"]+)"', listed[1])) == folders
    assert {path.parent for path in MODULES} == {path.parent for path in PACKAGE.rglob("__init__.py")}


def test_the_wheel_has_every_module_and_nothing_else(tmp_path: Path) -> None:
    pytest.importorskip("build")
    source = tmp_path / "source"
    for path in (*MODULES, PACKAGE / "py.typed", *(ROOT / name for name in ("pyproject.toml", "README.md", "LICENSE"))):
        target = source / path.relative_to(ROOT)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(path.read_bytes())
    command = [sys.executable, "-m", "build", "--wheel", "--outdir", str(tmp_path), str(source)]
    built = subprocess.run(command, capture_output=True, text=True, timeout=280)
    assert built.returncode == 0, built.stderr[-3000:]
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as opened:
        names = {name for name in opened.namelist() if not name.startswith("drymon_sensors-")}
    assert names == {str(path.relative_to(ROOT)) for path in (*MODULES, PACKAGE / "py.typed")}
