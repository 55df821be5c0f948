"""Killed after a word was recorded and before anything was said of it: the next start knows the word."""

import json
from pathlib import Path

import pytest

from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service.pipeline import Pipeline
from drymon.store import Store
from tests.service.conftest import make_home
from tests.service.test_pipeline import air, at, log


@pytest.mark.parametrize(
    ("event", "content", "there"),
    [
        ("undo", {}, []),
        ("leave", {}, []),
        ("move", {"rack": "rack-b"}, [("rack-b", 1)]),
        ("dip", {"rack": "rack-a", "coat": "seal"}, [("rack-a", 2)]),
    ],
)
def test_a_start_goes_by_all_that_is_on_record(
    tmp_path: Path, event: str, content: dict[str, str], there: list[tuple[str, int]]
) -> None:
    home = make_home(tmp_path / "home")
    with Store.open(home / "drymon.db") as store:
        pipeline = Pipeline(load_home(home), {}, store)
        log(pipeline, 1, "dip", rack="rack-a", coat="backup")
        air(pipeline, 2, 12)
        assert [(one.rack, one.number) for one in pipeline.store.current_verdicts()] == [("rack-a", 1)]
        said = json.dumps({"tree": "t-1", **content}).encode()
        pipeline.keep(Message(at(13), f"drymon/shop/log/{event}", said))
        after = Pipeline(load_home(home), {}, store)
        after.resume()
        air(after, 14, 26)
        assert [(one.rack, one.number) for one in after.store.current_verdicts()] == there
