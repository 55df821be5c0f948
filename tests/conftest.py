"""For all tests: whatever they start must meet the installed drymon, as they do, and not the checkout they stand in. No
random test fails for the machine being slow. Where files run beside each other, the longest begin first.
"""

import gc
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests.postgres import Cluster, cluster

os.environ["PYTHONSAFEPATH"] = "1"

gc.disable()  # until all tests are read in, which makes a million objects that stay: looking through them is in vain

settings.register_profile("drymon", deadline=None)
settings.load_profile("drymon")

LONGEST = (
    "docs/test_commands_run.py", "service/test_serve.py", "cli/test_demo.py", "page/test_page_in_chromium.py",
    "service/test_images.py", "test_worlds.py", "page/test_page_access.py", "service/test_first_days.py",
    "page/test_page_pictures.py", "test_quick.py", "page/test_page_measures.py", "page/test_page_phone.py",
    "learning/test_explained.py", "views/test_report_first_page.py", "learning/test_fit.py", "service/test_kill.py",
    "shop/test_room_scale.py", "shop/test_room_late.py",
)  # fmt: skip
"""Files that take more than half a minute where others run beside them. A worker that met one of them last would run on
alone.
"""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first; all else keeps its order."""
    here = Path(__file__).parent
    rank = {here / name: place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: rank.get(item.path, len(LONGEST)))


def pytest_collection_finish() -> None:
    """Count from here on what is left over; what was read in is not looked through again."""
    gc.freeze()
    gc.enable()


@pytest.fixture(scope="session")
def postgres() -> Iterator[Cluster]:
    """A PostgreSQL server that all tests of a worker share; each test takes rooms of its own there."""
    with cluster() as made:
        yield made
