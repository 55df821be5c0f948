"""The floors and wings of the house: who may import whom, and where nothing may read a clock, a disk or a wire."""

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

HOUSE = Path(__file__).parents[1] / "drymon"
MODULES = sorted(HOUSE.rglob("*.py"))

PURE = {"math", "dataclasses", "datetime", "enum", "typing", "collections", "functools", "itertools", "statistics"}
HEAVY = {"pandas", "scipy", "sklearn", "matplotlib"}
MAY: dict[str, set[str]] = {
    "drying": {"drying"},
    "shop": {"drying", "shop"},
    "learning": {"drying", "learning"},
    "messages": {"drying", "shop", "messages"},
    "store": {"drying", "shop", "learning", "messages", "store"},
    "service": {"drying", "shop", "learning", "messages", "store", "service"},
    "jobs": {"drying", "shop", "learning", "messages", "store", "service", "jobs"},
    "readback": {"drying", "shop", "learning", "messages", "store", "readback"},
    "views": {"drying", "shop", "learning", "messages", "store", "readback", "views"},
    "web": {"drying", "shop", "messages", "store", "service", "views", "web"},
    "cli": {"drying", "shop", "learning", "messages", "store", "readback", "service", "jobs", "views", "web", "cli"},
}
WINGS: dict[str, set[str]] = {
    "shop.facts": set(),
    "shop.air": {"shop.facts"},
    "shop.weight": {"shop.facts"},
    "shop.tree": {"shop.facts", "shop.air", "shop.weight"},
    "shop.verdict": {"shop.facts", "shop.air", "shop.weight", "shop.tree"},
    "shop.alarms": {"shop.facts", "shop.verdict"},
    "shop.plan": {"shop.facts", "shop.air", "shop.tree"},
    "shop.fold": {"shop.facts", "shop.air", "shop.weight", "shop.tree", "shop.verdict", "shop.alarms", "shop.plan"},
    "service": {"service.notify"},
    "service.notify": {"service"},
    "views": set(),
    "views.plots": set(),
    "views.by_scale": set(),
    "views.fit": {"views.plots"},
    "views.report": {"views", "views.plots"},
    "views.page": {"views", "views.plots", "views.by_scale"},
}
"""Which other wings of its floor a wing may import; a floor's own name is what lies in no wing of it."""
FLOORS_WITHOUT_CLOCK = ("drying", "shop", "learning", "messages", "store")
MAY_OPEN_FILES = {"store", "messages"}
"""Store keeps files; messages reads room.toml, models and recorded streams at the door."""
CLOCKS = {"now", "utcnow", "today", "time", "time_ns", "monotonic", "perf_counter", "sleep", "localtime", "gmtime"}
READS_A_CLOCK_ON_PURPOSE = {"store": {"sleep", "monotonic"}}


def folder(path: Path) -> str:
    return path.relative_to(HOUSE).parts[0]


def imports(path: Path) -> Iterator[tuple[str, int, bool]]:
    """Every imported module, its line, and whether only for types."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for_types = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for inner in ast.walk(node)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno, id(node) in for_types) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: imports are absolute"
            yield node.module or "", node.lineno, id(node) in for_types
            if node.module == "drymon":
                yield from ((f"drymon.{alias.name}", node.lineno, id(node) in for_types) for alias in node.names)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(HOUSE)))
def test_a_module_imports_from_its_own_floor_and_below(path: Path) -> None:
    floor = folder(path)
    wrong = [
        f"{path.name}:{line}: {name}"
        for name, line, _ in imports(path)
        if name.startswith("drymon.")
        and (part := name.split(".")[1]) not in {"errors", "models", "demo_streams", "__version__"}
        and part not in MAY.get(floor, set())
    ]
    assert wrong == []


def wing(parts: tuple[str, ...]) -> str:
    """The wing that a module lies in, by its name's parts."""
    return ".".join(parts[:2]) if ".".join(parts[:2]) in WINGS else parts[0]


def neighbours(path: Path) -> set[str]:
    """The other wings of its floor that a module imports."""
    here = path.relative_to(HOUSE).parts
    named = (tuple(name.split(".")[1:]) for name, _, _ in imports(path) if name.startswith("drymon."))
    found = {wing(parts) for parts in named if parts[0] == here[0] and (HOUSE / parts[0]).is_dir()}
    return found - {wing(here)}


@pytest.mark.parametrize("name", WINGS)
def test_a_wing_imports_the_wings_that_it_needs_and_no_others(name: str) -> None:
    lying_here = [path for path in MODULES if wing(path.relative_to(HOUSE).parts) == name]
    assert len(lying_here) > 1
    assert set[str]().union(*map(neighbours, lying_here)) == WINGS[name]


def test_every_wing_is_in_the_table() -> None:
    folders = {path.parent.relative_to(HOUSE).parts for path in MODULES}
    assert {".".join(parts) for parts in folders if len(parts) > 1} <= set(WINGS)
    assert {parts[0] for parts in folders if parts} <= set(MAY)


def test_wings_run_in_no_circle() -> None:
    """`service` and `service.notify` share the clock alone: that arrow back is looked at on its own."""
    left = {name: others - {"service"} for name, others in WINGS.items()}
    while free := [name for name, others in left.items() if not others & set(left)]:
        for name in free:
            del left[name]
    assert left == {}
    back = {
        name
        for path in (HOUSE / "service" / "notify").glob("*.py")
        for name, _, _ in imports(path)
        if name.startswith("drymon.service.") and not name.startswith("drymon.service.notify")
    }
    assert back == {"drymon.service.clock"}


def outside(floor: str) -> set[tuple[str, str]]:
    return {
        (path.name, name.split(".")[0])
        for path in MODULES
        if folder(path) == floor
        for name, _, _ in imports(path)
        if name.split(".")[0] not in {"drymon", "__future__"}
    }


def test_the_physics_needs_numpy_and_pure_python_alone() -> None:
    used = {name for _, name in outside("drying")}
    assert "numpy" in used
    assert used <= PURE | {"types", "numpy"}


def test_the_shop_is_a_pure_state_machine() -> None:
    forbidden = {"os", "io", "pathlib", "socket", "sqlite3", "time", "random", "subprocess", "threading", "logging"}
    used = {name for _, name in outside("shop")}
    assert "dataclasses" in used
    assert used & (forbidden | HEAVY) == set()
    assert {name for name in used if name not in sys.stdlib_module_names} <= {"numpy"}


def test_one_module_of_the_store_knows_each_engine() -> None:
    users = {path.stem for path in MODULES for name, _, _ in imports(path) if name == "sqlite3"}
    assert users == {"sqlite"}
    openers = {path.stem for path in MODULES for name, _, _ in imports(path) if name == "drymon.store.sqlite"}
    assert openers == {"store", "opening", "backup", "checks", "crossing", "moving"}, "all others open a Store"
    users = {path.stem for path in MODULES for name, _, _ in imports(path) if name.split(".")[0] == "psycopg"}
    assert users == {"postgres"}
    openers = {path.stem for path in MODULES for name, _, _ in imports(path) if name == "drymon.store.postgres"}
    assert openers == {"server"}, "all others open a Store"


def test_heavy_libraries_stay_where_models_are_fitted_and_pictures_drawn() -> None:
    users = {
        folder(path)
        for path in MODULES
        for name, _, for_types in imports(path)
        if name.split(".")[0] in HEAVY and not for_types
    }
    assert users <= {"learning", "views", "cli"}


def test_no_pyplot() -> None:
    assert not [path for path in MODULES for name, _, _ in imports(path) if "pyplot" in name]


@pytest.mark.parametrize("floor", FLOORS_WITHOUT_CLOCK)
def test_below_the_service_nothing_reads_a_clock_or_opens_what_it_may_not(floor: str) -> None:
    paths = [path for path in MODULES if folder(path) == floor]
    assert paths, f"{floor} has no modules"
    found = []
    for path in paths:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = ast.unparse(node.func)
            last = name.split(".")[-1]
            clock = last in CLOCKS and name.split(".")[0] in {"time", "datetime", "date", "dt"}
            clock = clock and last not in READS_A_CLOCK_ON_PURPOSE.get(floor, set())
            opens = (name == "open" or last in {"read_text", "write_text", "read_bytes", "write_bytes"}) and (
                floor not in MAY_OPEN_FILES
            )
            if clock or opens:
                found.append(f"{path.name}:{node.lineno}: {name}")
    assert found == []


def test_the_worlds_of_the_examination_ask_nothing_of_the_shops_that_are_made_of_them() -> None:
    accuracy = HOUSE.parent / "benchmarks" / "accuracy"
    named = {name for path in (accuracy / "worlds").glob("*.py") for name, _, _ in imports(path)}
    own = {name for name in named if name.startswith("benchmarks")}
    assert own
    assert {name for name in own if not name.startswith("benchmarks.accuracy.worlds")} == set()
