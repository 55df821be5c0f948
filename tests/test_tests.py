"""What a test may say: one thing at a time, and nothing of how fast the machine was."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

HERE = Path(__file__).parent
TESTS = sorted(HERE.rglob("*.py"))
CLOCKS = {"time.time", "time.monotonic", "time.perf_counter", "time.process_time"}
STILL_TOUCHED = {
    "_db", "_row", "_rows",  # rows as they stand in the file, and an engine that is made to fail
    "_client", "_thread",  # a network that goes without a word
    "_process", "_settings",  # of the tests' own classes
    "_exit", "_run_exitfuncs", "_shutdown",  # Python's, by which a forked process ends as one that was started anew
}  # fmt: skip
"""Private names that tests still touch. None comes to them: what a test needs to see is a name of the part's own."""
EITHER = """
assert one or other
assert not (one or other)
assert one and (two or three)
assert all(a or b for a in c)
assert until(lambda: act() or true())
assert one if two else three
"""
BOTH = """
assert one and other
assert call(one or b"")
assert one == (two or {})
if one:
    assert two
"""


def assertions(text: str) -> Iterator[ast.Assert]:
    return (node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Assert))


def holds_either_way(node: ast.expr) -> bool:
    """Whether it may hold for one of two reasons: then it shows neither. A default in a call's argument is none."""
    match node:
        case ast.BoolOp(op=ast.Or()) | ast.IfExp():
            return True
        case ast.BoolOp(values=values):
            return any(map(holds_either_way, values))
        case ast.UnaryOp(operand=operand):
            return holds_either_way(operand)
        case ast.Call(args=args):
            return any(holds_either_way(inner) for arg in args if (inner := _body(arg)) is not None)
        case _:
            return False


def _body(arg: ast.expr) -> ast.expr | None:
    """What an argument asks of each of many, or each time anew."""
    if isinstance(arg, ast.GeneratorExp | ast.ListComp):
        return arg.elt
    return arg.body if isinstance(arg, ast.Lambda) else None


def test_the_guard_tells_either_from_both() -> None:
    assert [holds_either_way(node.test) for node in assertions(EITHER)] == [True] * 6
    assert [holds_either_way(node.test) for node in assertions(BOTH)] == [False] * 4


@pytest.mark.parametrize("path", TESTS, ids=lambda path: str(path.relative_to(HERE)))
def test_no_assertion_holds_for_either_of_two_reasons(path: Path) -> None:
    found = [node.lineno for node in assertions(path.read_text(encoding="utf-8")) if holds_either_way(node.test)]
    assert found == []


@pytest.mark.parametrize("path", TESTS, ids=lambda path: str(path.relative_to(HERE)))
def test_no_assertion_measures_the_wall_clock(path: Path) -> None:
    """Patience is a time that a test waits at most; how long things take is measured in `benchmarks/`."""
    timed = [
        node.lineno
        for node in assertions(path.read_text(encoding="utf-8"))
        for inner in ast.walk(node)
        if isinstance(inner, ast.Call) and ast.unparse(inner.func) in CLOCKS
    ]
    assert timed == []
    assert not re.search(r"import timeit|os\.times\(|getrusage", path.read_text(encoding="utf-8").split("CLOCKS =")[0])


def private(text: str) -> Iterator[str]:
    """Names with one underscore that are taken from elsewhere, whether by a dot or by an import."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.ImportFrom):
            yield from (alias.name for alias in node.names if alias.name.startswith("_"))
        elif isinstance(node, ast.Attribute) and ast.unparse(node.value) not in {"self", "cls"}:
            yield from (name for name in (node.attr,) if name.startswith("_") and not name.startswith("__"))


def test_the_guard_tells_what_is_private_elsewhere() -> None:
    assert list(private("from a import _b, c")) == ["_b"]
    assert list(private("a._b = self._c = a.b.__class__")) == ["_b"]


def test_tests_touch_no_private_name_beyond_those_that_they_still_do() -> None:
    named = {name for path in TESTS for name in private(path.read_text(encoding="utf-8"))}
    assert named - {"_replace", "_asdict", "_fields"} == STILL_TOUCHED


def test_no_random_test_has_a_deadline() -> None:
    """Hypothesis's own is 200 ms for an example, which a busy machine breaks."""
    assert settings().deadline is None
