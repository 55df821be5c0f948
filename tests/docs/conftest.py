"""One trial installation for all pages whose commands are copied; the first page sets it up, the others use it."""

from collections.abc import Iterator

import pytest

from tests.docs.trial import Trial, missing_tools


@pytest.fixture(scope="session")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Trial]:
    if missing := missing_tools():
        pytest.skip(f"needs mosquitto and its clients ({', '.join(missing)}): apt install mosquitto mosquitto-clients")
    here = Trial(tmp_path_factory.mktemp("trial"))
    yield here
    here.stop()
