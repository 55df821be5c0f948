"""Chromium for the page's tests: a few processes for a whole run of tests, for each test windows that know nothing.

A browser costs more to start than most tests need of it. So its process stays, and each time that it is handed out it
opens a window in a new browser context: without cookies, storage, cache or emulation of those before.
"""

import json
import os
import shutil
import tempfile
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
)  # fmt: skip


class Browser:
    """One process with its driver, and the context of the window that is in use."""

    def __init__(self, program: str, driver_program: str, profile: Path, flags: tuple[str, ...]) -> None:
        import websocket
        from selenium import webdriver

        options = webdriver.ChromeOptions()
        options.binary_location = program
        for flag in (*FLAGS, *flags, f"--user-data-dir={profile}"):
            options.add_argument(flag)
        self.flags = flags
        self.driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver_program))
        self.driver.set_page_load_timeout(30)
        self._first_window = self.driver.current_window_handle  # stays: a browser without a window ends
        self._context = ""
        self._asked = 0
        # The driver speaks to pages alone; contexts are the browser's.
        address = self.driver.capabilities["goog:chromeOptions"]["debuggerAddress"]
        with urllib.request.urlopen(f"http://{address}/json/version", timeout=20) as answer:
            place = json.load(answer)["webSocketDebuggerUrl"]
        self._socket = websocket.create_connection(place, timeout=30, suppress_origin=True)

    def _ask(self, method: str, **params: Any) -> dict[str, Any]:
        self._asked += 1
        self._socket.send(json.dumps({"id": self._asked, "method": method, "params": params}))
        while (answer := json.loads(self._socket.recv())).get("id") != self._asked:
            pass  # an event
        assert "result" in answer, answer
        return dict(answer["result"])

    def open(self, width: int, height: int) -> Any:
        """The driver, in a new window of this size in CSS pixels."""
        self._context = self._ask("Target.createBrowserContext")["browserContextId"]
        window = self._ask("Target.createTarget", url="about:blank", browserContextId=self._context)
        self.driver.switch_to.window(window["targetId"])
        # A window cannot be made narrower than some 500 px; a phone's screen can be emulated.
        screen = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
        return self.driver

    def forget(self) -> None:
        """Close the windows of the context, with all that they know."""
        self.driver.switch_to.window(self._first_window)
        self._ask("Target.disposeBrowserContext", browserContextId=self._context)

    def quit(self) -> None:
        self._socket.close()
        self.driver.quit()


class Browsers:
    """Browsers by their flags: those that are free, and those in use."""

    def __init__(self, program: str, driver_program: str) -> None:
        self._programs = program, driver_program
        self._profiles = Path(tempfile.mkdtemp(prefix="drymon-browsers-"))
        self._all: list[Browser] = []
        self._used: list[Browser] = []
        os.environ.setdefault("SE_AVOID_STATS", "true")

    @contextmanager
    def opened(self) -> Iterator[Callable[..., Any]]:
        """What opens windows, each in another browser and context: (width, height, *flags); they close at the end."""
        mine: list[Browser] = []

        def start(width: int = 1280, height: int = 900, *flags: str) -> Any:
            mine.append(self._free(flags))
            return mine[-1].open(width, height)

        try:
            yield start
        finally:
            for browser in mine:
                browser.forget()
                self._used.remove(browser)

    def _free(self, flags: tuple[str, ...]) -> Browser:
        free = [browser for browser in self._all if browser.flags == flags and browser not in self._used]
        if not free:
            free = [Browser(*self._programs, self._profiles / str(len(self._all)), flags)]
            self._all += free
        self._used.append(free[0])
        return free[0]

    def close(self) -> None:
        """End all browsers."""
        for browser in self._all:
            browser.quit()
        shutil.rmtree(self._profiles, ignore_errors=True)
