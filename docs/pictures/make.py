"""Makes the pictures of the page that the documentation shows: `python docs/pictures/make.py`.

The demo's invented shop is replayed up to an hour of its third day; the service then takes the record up with a clock
that stands there, and Chromium looks at its page. Needs drymon with its test extra, Chromium and its driver.
"""

import io
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib.resources import files
from itertools import takewhile
from pathlib import Path

from PIL import Image
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from drymon.messages.config import load_home
from drymon.messages.home import make_home
from drymon.messages.streams import StreamWriter, read_stream
from drymon.service.clock import SystemClock
from drymon.service.replay import replay
from drymon.service.serve import Service
from drymon.web.server import PageServer

HERE = Path(__file__).parent
SHOP = files("drymon.demo_streams")
MOMENT = datetime(2031, 5, 14, 16, 2, tzinfo=UTC)
"""Two minutes past six on the shop's clock: a tree is on hold, one may be dipped."""
WHO, PASSWORD = "Ilse", "wet gloves and warm tea"
PHONE, TABLET = (360, 740, 2), (820, 1180, 1)
"""Width and height in CSS pixels, pixels of the picture for each of them."""
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--disable-background-networking")


class ShopClock(SystemClock):
    """Runs as the machine's, from `MOMENT` on."""

    def __init__(self) -> None:
        self._started = datetime.now(UTC)

    def wall(self) -> datetime:
        """The shop's time."""
        return MOMENT + (datetime.now(UTC) - self._started)

    def synchronised(self) -> bool:
        """It is right by definition."""
        return True


def shop(home: Path) -> None:
    """A home with the record of the shop up to the moment, and somebody who may sign in."""
    make_home(home, SHOP.joinpath("room.toml").read_text(encoding="utf-8").replace("8480", str(port())))
    stream = Path(str(SHOP.joinpath("three-days.jsonl.gz")))
    with StreamWriter(home / "until.jsonl") as writer:
        for message in takewhile(lambda message: message.arrived < MOMENT, read_stream([stream])):
            writer.write(message)
    replay(load_home(home), [home / "until.jsonl"])
    add = [sys.executable, "-m", "drymon.cli", "user", "add", WHO, "--home", str(home)]
    subprocess.run(add, input=f"{PASSWORD}\n", text=True, check=True)


def port() -> int:
    """A port of this machine that is free now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def served(home: Path) -> Iterator[str]:
    """The service at work; yields the address of its page."""
    config = load_home(home)
    service = Service(config, ShopClock(), PageServer)
    thread = threading.Thread(target=service.run)
    thread.start()
    try:
        time.sleep(10.0)  # its first minute has been judged, its broker answers
        yield f"http://127.0.0.1:{config.page.port}"
    finally:
        service.stop.set()
        thread.join(30.0)


@contextmanager
def screen(width: int, height: int, factor: int) -> Iterator[webdriver.Chrome]:
    """A browser with a screen of that size."""
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or shutil.which("google-chrome") or ""
    for flag in FLAGS:
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(shutil.which("chromedriver")))
    metrics = {"width": width, "height": height, "deviceScaleFactor": factor, "mobile": width < 600}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    try:
        yield driver
    finally:
        driver.quit()


def sign_in(driver: webdriver.Chrome, url: str) -> None:
    """As a person does."""
    driver.get(f"{url}/sign-in")
    driver.find_element(By.NAME, "name").send_keys(WHO)
    driver.find_element(By.NAME, "password").send_keys(PASSWORD)
    driver.find_element(By.CSS_SELECTOR, "main button").click()
    WebDriverWait(driver, 20).until(lambda page: page.find_elements(By.CSS_SELECTOR, ".tag"))


def keep(driver: webdriver.Chrome, name: str) -> None:
    """Write what the screen shows."""
    driver.execute_script("scrollTo(0, 0)")
    time.sleep(0.5)  # what slides in has arrived
    file = HERE / f"{name}.png"
    with Image.open(io.BytesIO(driver.get_screenshot_as_png())) as shown:
        shown.convert("RGB").quantize(256).save(file, optimize=True)  # a third of the size, and nothing is lost to see
    print(file)


def main() -> None:
    """All pictures that the documentation shows."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        shop(home)
        with served(home) as url:
            with screen(*TABLET) as tablet:
                sign_in(tablet, url)
                keep(tablet, "page-room-tablet")
            with screen(*PHONE) as phone:
                sign_in(phone, url)
                keep(phone, "page-room-phone")
                button = phone.find_element(By.CSS_SELECTOR, "[id^='dip-']")
                phone.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
                button.click()
                WebDriverWait(phone, 20).until(lambda page: page.find_elements(By.ID, "flash"))
                keep(phone, "page-dipped-phone")


if __name__ == "__main__":
    main()
