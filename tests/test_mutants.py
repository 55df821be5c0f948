"""The run of single faults (`benchmarks/mutants`) tried on a tiny checkout: it sees what tests notice, and what not."""

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
if not (ROOT / "benchmarks" / "mutants").is_dir():
    pytest.skip("the run of single faults lives in the checkout only", allow_module_level=True)
sys.path.insert(0, str(ROOT))

from benchmarks.mutants.changes import Mutant, mutants  # noqa: E402
from benchmarks.mutants.marked import Equivalent, TableError, read_equivalent, read_tests, stale  # noqa: E402
from benchmarks.mutants.report import survivors, table  # noqa: E402
from benchmarks.mutants.results import Results  # noqa: E402
from benchmarks.mutants.run import find, judge_all, sample, unmarked  # noqa: E402
from benchmarks.mutants.trial import Layout, Trial, TrialError  # noqa: E402

LIMIT = '''"""Tells damp from dry."""

DAMP = 60


def damp(humidity: float) -> bool:
    return humidity > DAMP


def count(steps: int) -> int:
    done = 0
    while done < steps:
        done += 1
    return done
'''
TEST = """from tiny.air.limit import count, damp


def test_damp_is_told_from_dry():
    assert damp(70)
    assert not damp(40)


def test_all_steps_are_counted():
    assert count(3) == 3
"""
TESTS = {"air/limit": ["air/test_limit.py"]}


@pytest.fixture
def layout(tmp_path: Path) -> Layout:
    """A checkout of one module and its tests."""
    root = tmp_path / "checkout"
    for path, text in {
        "tiny/__init__.py": "",
        "tiny/air/__init__.py": "",
        "tiny/air/limit.py": LIMIT,
        "tests/air/test_limit.py": TEST,
        "pyproject.toml": '[tool.pytest.ini_options]\naddopts = "--import-mode=importlib"\n',
    }.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_text(text, encoding="utf-8")
    return Layout(root, package="tiny", installed_inside=())


def changes(source: str) -> list[str]:
    return [f"{mutant.old} -> {mutant.new}" for mutant in mutants("air/limit", source)]


def the(found: list[Mutant], old: str, new: str) -> Mutant:
    (one,) = [mutant for mutant in found if (mutant.old, mutant.new) == (old, new)]
    return one


def test_a_fault_that_tests_notice_is_killed_and_one_at_the_edge_survives(layout: Layout, tmp_path: Path) -> None:
    found = find(layout, TESTS)
    before = sorted((path, path.read_bytes()) for path in layout.root.rglob("*") if path.is_file())
    turned = the(found, "humidity > DAMP", "(humidity <= DAMP)")
    edge = the(found, "humidity > DAMP", "(humidity >= DAMP)")
    results = Results(tmp_path / "results.jsonl")
    judge_all(Trial(layout, tmp_path / "copy"), [turned, edge], TESTS, results, again=False)
    killed, survived = results.of(turned.id), results.of(edge.id)
    assert killed is not None
    assert survived is not None
    assert (killed.verdict, killed.by) == ("killed", "air/test_limit.py::test_damp_is_told_from_dry")
    assert (survived.verdict, survived.line) == ("survived", 7)
    assert before == sorted((path, path.read_bytes()) for path in layout.root.rglob("*") if path.is_file())
    assert table([killed, survived], {"air": 1}).splitlines()[1].split() == ["air", "2", "1", "0", "1", "50", "%", "1"]
    assert survivors([killed, survived], "tiny").splitlines() == [
        "tiny/air/limit.py:7 in damp",
        "    - humidity > DAMP",
        "    + (humidity >= DAMP)",
    ]


def test_a_fault_that_never_ends_is_stopped(layout: Layout, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchmarks.mutants.trial.PATIENCE_S", 3.0)
    backwards = the(find(layout, TESTS), "done += 1", "done -= 1")
    assert Trial(layout, tmp_path / "copy").judge(backwards, TESTS["air/limit"], green_s=0.1).verdict == "timed out"


def test_a_run_goes_on_from_its_results_and_judges_survivors_again_when_asked(layout: Layout, tmp_path: Path) -> None:
    found = find(layout, TESTS)
    chosen = [the(found, "60", "61"), the(found, "humidity > DAMP", "(humidity <= DAMP)")]
    path = tmp_path / "results.jsonl"
    judge_all(Trial(layout, tmp_path / "first"), chosen, TESTS, Results(path), again=False)
    test = layout.root / "tests" / "air" / "test_limit.py"
    test.write_text(f"{TEST}    assert damp(61)\n", encoding="utf-8")
    judged = path.read_text(encoding="utf-8")
    judge_all(Trial(layout, tmp_path / "second"), chosen, TESTS, Results(path), again=False)
    assert path.read_text(encoding="utf-8") == judged
    judge_all(Trial(layout, tmp_path / "third"), chosen, TESTS, Results(path), again=True)
    verdicts = [result.verdict for mutant in chosen if (result := Results(path).of(mutant.id)) is not None]
    assert verdicts == ["killed", "killed"]
    assert len(path.read_text(encoding="utf-8").splitlines()) == len(judged.splitlines()) + 2


def test_tests_that_fail_without_a_fault_cannot_judge(layout: Layout, tmp_path: Path) -> None:
    (layout.root / "tests" / "air" / "test_limit.py").write_text("def test_it():\n    assert False\n", encoding="utf-8")
    found = find(layout, TESTS)
    with pytest.raises(TrialError, match="not green without a fault"):
        judge_all(Trial(layout, tmp_path / "copy"), found[:1], TESTS, Results(tmp_path / "results.jsonl"), again=False)


def test_what_is_changed_and_what_is_left_alone() -> None:
    assert changes("def a(x: int = 1) -> bool:\n    return x < 2 and not x\n") == [
        "1 -> 2",
        "return x < 2 and not x -> return None",
        "x < 2 and not x -> (x < 2 or not x)",
        "x < 2 -> (x <= 2)",
        "x < 2 -> (x >= 2)",
        "2 -> 3",
        "not x -> (x)",
    ]
    assert changes("if ready:\n    go()\nelif late:\n    x = 2.0 * 1e-9\n") == [
        "ready -> (not ready)",
        "go() -> pass",
        "late -> (not late)",
        "2.0 * 1e-9 -> (2.0 / 1e-09)",
        "2.0 -> 2.5",
    ]
    assert changes('"""Words."""\n\nfrom x import y\n\n\n@z(slots=True)\nclass A(b[1]):\n    c: d[2]\n') == []
    assert changes("x = f'{1 + 2} of {3}'\n") == []


def test_each_fault_is_one_that_python_can_read() -> None:
    text = (ROOT / "drymon" / "shop" / "verdict" / "judge.py").read_text(encoding="utf-8")
    found = mutants("shop/verdict/judge", text)
    assert len({mutant.id for mutant in found}) == len(found) > 100
    whole = ast.dump(ast.parse(text))
    assert [mutant for mutant in found if ast.dump(ast.parse(mutant.text)) == whole] == []


def test_a_fault_is_the_same_wherever_its_function_stands() -> None:
    moved = "import math\n\n\n" + LIMIT
    edge = ("humidity > DAMP", "(humidity >= DAMP)")
    assert the(mutants("air/limit", LIMIT), *edge).id == the(mutants("air/limit", moved), *edge).id
    assert the(mutants("air/limit", LIMIT), *edge).line + 3 == the(mutants("air/limit", moved), *edge).line


def test_a_larger_sample_holds_the_smaller(layout: Layout) -> None:
    found = find(layout, TESTS)
    assert sample(found, 3, seed=1) == sample(found, 6, seed=1)[:3]
    assert sample(found, 6, seed=1) != sample(found, 6, seed=2)


def test_modules_may_be_asked_for_and_left_out(layout: Layout) -> None:
    assert find(layout, TESTS, folders=["air"]) == find(layout, TESTS, modules=["air/limit"]) == find(layout, TESTS)
    with pytest.raises(TableError, match=r"nothing to do for all; tests\.toml has air/limit"):
        find(layout, TESTS, without=["air/limit"])


def test_what_is_marked_is_left_out_and_a_mark_of_what_is_gone_is_told(layout: Layout) -> None:
    found = find(layout, TESTS)
    mark = Equivalent("air/limit", "damp", "humidity > DAMP", "(humidity >= DAMP)", "for the trial")
    gone = Equivalent("air/limit", "damp", "humidity > DRY", "(humidity >= DRY)", "for the trial")
    assert len(unmarked(found, [mark])) == len(found) - 1
    assert stale([mark, gone], found) == [gone]


def test_a_mark_without_a_reason_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "equivalent.toml"
    path.write_text(
        '[[equivalent]]\nmodule = "a/b"\nfunction = "c"\nold = "1"\nnew = "2"\nwhy = ""\n', encoding="utf-8"
    )
    with pytest.raises(TableError, match="has no reason"):
        read_equivalent(path)


def test_the_tables_name_modules_and_tests_that_are_there() -> None:
    asked = read_tests()
    files = {test.split("::")[0] for tests in asked.values() for test in tests}
    assert [module for module in asked if not Layout(ROOT).source(module).exists()] == []
    assert [file for file in sorted(files) if not (ROOT / "tests" / file).exists()] == []
    assert {mark.module for mark in read_equivalent()} <= set(asked)
