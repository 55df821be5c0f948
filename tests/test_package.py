"""What is installed: every package is listed, and its data really are in the wheel."""

import fnmatch
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
SETUPTOOLS = PROJECT["tool"]["setuptools"]
ELSEWHERE: dict[str, str] = SETUPTOOLS["package-dir"]


def folder(package: str) -> Path:
    return ROOT / ELSEWHERE.get(package, package.replace(".", "/"))


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Names of the files in a wheel built from this checkout (of what it says of itself, not of old build folders)."""
    source, out = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("wheel")
    tracked = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False).stdout.decode()
    names = [name for name in tracked.split("\0") if name] or [
        str(path.relative_to(ROOT)) for path in ROOT.rglob("*") if path.is_file() and ".git" not in path.parts
    ]
    for name in names:
        if (ROOT / name).is_file():
            (source / name).parent.mkdir(parents=True, exist_ok=True)
            (source / name).write_bytes((ROOT / name).read_bytes())
    command = [sys.executable, "-m", "build", "--wheel", "--outdir", str(out), str(source)]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stdout[-3000:] + built.stderr[-3000:]
    (path,) = out.glob("*.whl")
    with zipfile.ZipFile(path) as opened:
        return set(opened.namelist())


def test_the_list_of_packages_is_the_list_of_folders() -> None:
    listed = SETUPTOOLS["packages"]
    found = {".".join(path.parent.relative_to(ROOT).parts) for path in (ROOT / "drymon").rglob("__init__.py")}
    found |= {package for package, place in ELSEWHERE.items() if (ROOT / place / "__init__.py").exists()}
    assert sorted(listed) == sorted(found)
    assert len(set(listed)) == len(listed)


def test_no_folder_of_modules_lacks_its_init() -> None:
    bare = {path.parent for path in (ROOT / "drymon").rglob("*.py")} - {
        path.parent for path in (ROOT / "drymon").rglob("__init__.py")
    }
    assert bare == set()


def test_every_module_and_every_data_file_is_in_the_wheel(wheel: set[str]) -> None:
    missing = []
    for package in SETUPTOOLS["packages"]:
        wanted = ["*.py", *SETUPTOOLS["package-data"].get(package, [])]
        tracked = subprocess.run(
            ["git", "ls-files", "."], cwd=folder(package), capture_output=True, text=True, check=False
        ).stdout.split()
        assert tracked, f"{package} has no files under version control"
        for pattern in wanted:
            names = [
                name for name in tracked if fnmatch.fnmatch(name, pattern) and name.count("/") == pattern.count("/")
            ]
            missing += [f"{package}: {name}" for name in names if f"{package.replace('.', '/')}/{name}" not in wheel]
    assert missing == []


def test_starting_models_and_demo_streams_come_along(wheel: set[str]) -> None:
    assert "drymon/py.typed" in wheel
    for name in ("prime-first", "prime-fine", "slurry-only-first", "backup", "seal"):
        assert f"drymon/models/{name}.toml" in wheel
    assert any(name.startswith("drymon/demo_streams/") and name.endswith(".jsonl.gz") for name in wheel)


def test_no_test_and_no_scratch_is_in_the_wheel(wheel: set[str]) -> None:
    foreign = [name for name in wheel if not name.startswith(("drymon/", "drymon-"))]
    assert foreign == []
