"""A real room for the page's tests: mosquitto, `drymon serve` as a child process, and a real Chromium."""

import json
import shutil
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from tests import processes
from tests.page.browsers import Browsers

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
PASSWORD = "wet gloves and warm tea"

ROOM = """
[room]
name = "shop"
label = "Shell room"
timezone = "Europe/Lisbon"
[broker]
host = "127.0.0.1"
port = {broker}
[page]
host = "{host}"
port = {page}
{password}
[[rack]]
name = "rack-a"
label = "Rack A"
[[rack]]
name = "rack-b"
[[cell]]
name = "cell-1"
rack = "rack-a"
[[coat]]
name = "prime-first"
label = "face coat"
family = "prime"
[[coat]]
name = "backup"
family = "backup"
longest_wait_h = 72
[[coat]]
name = "seal"
family = "seal"
[[recipe]]
name = "standard"
coats = ["prime-first", "backup", "backup", "seal"]
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(true: Callable[[], Any], within_s: float = 15.0) -> Any:
    """Wait for something to become true; its last answer."""
    end = time.monotonic() + within_s
    while not (answer := true()) and time.monotonic() < end:
        time.sleep(0.05)
    return answer


class Shop:
    """A home, its broker, its service, and a client that hears and says what a shop's other devices would."""

    def __init__(self, folder: Path, host: str = "127.0.0.1", password: str = "") -> None:
        self.home, self.port, self.broker_port = folder / "home", free_port(), free_port()
        self.home.mkdir(parents=True)
        if password:
            (self.home / "page.password").write_text(f"{password}\n")
        line = 'password_file = "page.password"' if password else ""
        toml = ROOM.format(broker=self.broker_port, page=self.port, host=host, password=line)
        (self.home / "room.toml").write_text(toml)
        self.log = folder / "serve.log"
        self.heard: dict[str, list[bytes]] = {}
        self._broker = self._start_broker(folder)
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._hear
        self._client.connect("127.0.0.1", self.broker_port)
        self._client.subscribe("drymon/#", 1)
        self._client.loop_start()
        self.service: processes.Process | None = None
        self.anew = False

    def _start_broker(self, folder: Path) -> subprocess.Popen[bytes]:
        conf = folder / "mosquitto.conf"
        conf.write_text(f"listener {self.broker_port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        assert MOSQUITTO is not None
        broker = subprocess.Popen([MOSQUITTO, "-c", str(conf)], stderr=subprocess.DEVNULL)
        assert until(self._broker_listens), "mosquitto did not come up"
        return broker

    def _broker_listens(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.broker_port)) == 0

    def _hear(self, _: Client, __: Any, message: MQTTMessage) -> None:
        self.heard.setdefault(message.topic, []).append(bytes(message.payload))

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def drymon(self, *words: str, stdin: str = "") -> subprocess.CompletedProcess[str]:
        return processes.run(*words, "--home", str(self.home), typed=stdin, within_s=60)

    def add_user(self, name: str, password: str = PASSWORD) -> None:
        done = self.drymon("user", "add", name, stdin=f"{password}\n")
        assert done.returncode == 0, done.stderr

    def serve(self) -> None:
        with self.log.open("ab") as log:
            begin = processes.start_anew if self.anew else processes.start
            self.service = begin("serve", "--home", str(self.home), stdout=log, stderr=log)
        topic = "drymon/shop/out/service"
        online = until(lambda: any(b"online" in word for word in self.heard.get(topic, [])), 30)
        assert online, self.log.read_text()

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self.service is not None:
            self.service.send_signal(how)
            self.service.send_signal(signal.SIGCONT)
            self.service.wait(20)
            self.service = None

    def close(self) -> None:
        self.stop()
        self._client.disconnect()
        self._client.loop_stop()
        self._broker.terminate()
        self._broker.wait(10)

    def say(self, topic: str, payload: Any) -> None:
        body = payload if isinstance(payload, str) else json.dumps(payload)
        self._client.publish(f"drymon/shop/{topic}", body, qos=1).wait_for_publish(5)

    def air(self, place: str = "room", temperature: float = 22.0, humidity: float = 45.0) -> None:
        for quantity, value in (("temperature", temperature), ("humidity", humidity), ("airflow", 1.5)):
            self.say(f"{place}/{quantity}", value)

    def dry_tree(self, *trees: str, rack: str = "rack-a", hours: float = 30.0) -> None:
        """Hang trees that were dipped hours ago in warm, dry, moving air, and wait until they are ready."""
        now = datetime.now(UTC)
        for step in range(int(hours * 6)):
            time = f"{now - timedelta(hours=hours) + timedelta(minutes=10 * step):%Y-%m-%dT%H:%M:%SZ}"
            for quantity, value in (("temperature", 25.0), ("humidity", 30.0), ("airflow", 2.0)):
                self._client.publish(
                    f"drymon/shop/{rack}/{quantity}", json.dumps({"value": value, "time": time}), qos=1
                )
        for quantity, value in (("temperature", 25.0), ("humidity", 30.0), ("airflow", 2.0)):
            self.say(f"{rack}/{quantity}", value)
        dipped = f"{now - timedelta(hours=hours - 0.2):%Y-%m-%dT%H:%M:%SZ}"
        dip = {"trees": trees, "rack": rack, "coat": "prime-first", "shelter": "open", "recipe": "standard"}
        self.say("log/dip", {**dip, "time": dipped})
        ready = until(lambda: all((self.verdict(tree) or {}).get("state") == "ready" for tree in trees), 60)
        assert ready, f"{[self.verdict(tree) for tree in trees]}\n{self.log.read_text()}"

    def verdict(self, tree: str) -> dict[str, Any] | None:
        said = self.heard.get(f"drymon/shop/out/tree/{tree}", [])
        return json.loads(said[-1]) if said and said[-1] else None

    def is_in_state(self, tree: str, state: str) -> bool:
        return (self.verdict(tree) or {}).get("state") == state

    def get(self, path: str, **headers: str) -> tuple[int, str, Any]:
        """Status, body and headers, whatever the status."""
        request = urllib.request.Request(self.url + path, headers=headers)
        try:
            with urllib.request.urlopen(request, timeout=20) as answer:
                return answer.status, answer.read().decode(), answer.headers
        except urllib.error.HTTPError as error:
            return error.code, error.read().decode(), error.headers


@pytest.fixture(scope="session")
def broker_program() -> str:
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed: apt install mosquitto")
    return MOSQUITTO


@pytest.fixture(scope="session")
def browser_program() -> str:
    if CHROMIUM is None or DRIVER is None:
        pytest.skip("Chromium and its driver are not installed: apt install chromium chromium-driver")
    return CHROMIUM


@pytest.fixture
def shop(tmp_path: Path, broker_program: str) -> Iterator[Shop]:
    """A shop with the user `ana`, air on record and two trees: t-1 on rack-a, t-2 on rack-b."""
    yield from _shop(tmp_path)


@pytest.fixture(scope="module")
def still_shop(tmp_path_factory: pytest.TempPathFactory, broker_program: str) -> Iterator[Shop]:
    """As `shop`, for tests that only look: with t-9, which is ready, and t-50, whose coat nobody knows."""
    yield from still(tmp_path_factory.mktemp("still"))


def still(folder: Path, anew: bool = False) -> Iterator[Shop]:
    for running in _shop(folder, anew):
        running.dry_tree("t-9")
        running.say("log/dip", {"tree": "t-50", "rack": "rack-a", "coat": "nobody-knows-it"})
        assert until(partial(running.is_in_state, "t-50", "unknown"))
        yield running


def _shop(folder: Path, anew: bool = False) -> Iterator[Shop]:
    running = Shop(folder)
    running.anew = anew
    try:
        running.add_user("ana")
        running.serve()
        running.air()
        for tree, rack in (("t-1", "rack-a"), ("t-2", "rack-b")):
            running.say("log/dip", {"tree": tree, "rack": rack, "coat": "prime-first", "recipe": "standard"})
        assert until(lambda: running.verdict("t-1") and running.verdict("t-2")), running.log.read_text()
        yield running
    finally:
        running.close()


@pytest.fixture(scope="session")
def browsers(browser_program: str) -> Iterator[Browsers]:
    assert DRIVER is not None
    kept = Browsers(browser_program, DRIVER)
    yield kept
    kept.close()


@pytest.fixture
def open_browser(browsers: Browsers) -> Iterator[Callable[..., Any]]:
    """Opens windows that know nothing of each other or of earlier ones: (width, height, *flags); closes them all."""
    with browsers.opened() as start:
        yield start


def sign_in(driver: Any, shop: Shop, name: str = "ana", password: str = PASSWORD, path: str = "/") -> None:
    """Sign in by hand, and come back to `path`."""
    from selenium.webdriver.common.by import By

    driver.get(f"{shop.url}/sign-in?back={path}")
    driver.find_element(By.NAME, "name").send_keys(name)
    driver.find_element(By.NAME, "password").send_keys(password)
    tap(driver, "main button")


def settled(act: Callable[[], Any], tries: int = 5) -> Any:
    """Do it again where the page put news in the place of what was being looked at."""
    from selenium.common.exceptions import WebDriverException

    for left in reversed(range(tries)):
        try:
            return act()
        except WebDriverException:
            if not left:
                raise
            time.sleep(0.3)
    return None


def tap(driver: Any, css: str) -> None:
    """Click, and wait for the page that follows."""
    from selenium.common.exceptions import WebDriverException
    from selenium.webdriver.common.by import By

    def click() -> None:
        driver.execute_script("document.documentElement.dataset.left = 'yes'")
        target = driver.find_element(By.CSS_SELECTOR, css)
        driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", target)
        target.click()

    settled(click)

    def followed() -> bool:
        try:
            page = driver.find_element(By.CSS_SELECTOR, "html")
            return not page.get_attribute("data-left") and driver.execute_script(
                "return document.readyState === 'complete'"
            )
        except WebDriverException:  # between two pages
            return False

    assert until(followed, 20), f"no page followed the tap on {css}"
