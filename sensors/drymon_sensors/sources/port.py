"""A serial port that may be unplugged: lines from it, opened anew when it comes back. Needs the extra `serial`."""

from __future__ import annotations

from typing import Any

from drymon_sensors.clock import Clock
from drymon_sensors.errors import ReadError
from drymon_sensors.sources.lines import LineBuffer, Words
from drymon_sensors.tables import Table

AGAIN_S = 2.0
"""After a failure the port is left alone for so long."""
ANSWER_S = 1.0
"""For so long an answer is waited for."""
FULL = 4000
"""The kernel keeps 4096 bytes of a port that nobody reads; what comes later is lost, so what is there is old."""

FRAMES = ("8N1", "7E1", "7O1", "7N2", "8E1", "8O1", "8N2")
SPEEDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)


class SerialLines:
    """Whole lines of one device.

    path: best one of /dev/serial/by-id, which stays the same when others are plugged in.
    ask: what makes it speak, sent before each look; "" for one that speaks by itself.
    """

    def __init__(self, clock: Clock, path: str, speed: int = 9600, frame: str = "8N1", ask: str = "") -> None:
        self.path = path
        self._clock, self._speed, self._frame, self._ask = clock, speed, frame, ask.encode("ascii")
        self._port: Any = None
        self._buffer = LineBuffer()
        self._heard = self._not_before = float("-inf")

    @classmethod
    def from_table(cls, table: Table, clock: Clock) -> SerialLines:
        """By the keys port, speed, frame and ask."""
        path, speed = table.text("port"), table.choice("speed", SPEEDS, 9600)
        frame, ask = table.choice("frame", FRAMES, "8N1"), table.text("ask", "")
        if not ask.isascii():
            raise table.wrong("ask", ask, "plain ASCII text")
        return cls(clock, path, speed, frame, ask)

    def lines(self) -> list[str]:
        """What has come since the last look; of a device that is asked, its answer. ReadError where it is not there."""
        if self._port is None:
            self._open(self._clock.monotonic())
        try:
            return self._answer() if self._ask else self._taken()
        except OSError as error:  # pyserial's SerialException is one
            self.close()
            self._not_before = self._clock.monotonic() + AGAIN_S
            raise ReadError(f"{self.path}: {error}: was it unplugged?") from None

    def _answer(self) -> list[str]:
        """Ask, and wait a moment; what came unasked is an older answer."""
        self._taken()
        self._port.write(self._ask)
        end = self._clock.monotonic() + ANSWER_S
        while self._clock.monotonic() < end:
            if lines := self._taken():
                return lines
            self._clock.sleep(0.05)
        return []

    def _taken(self) -> list[str]:
        now, data = self._clock.monotonic(), b""
        while chunk := self._port.read(4096):
            data += chunk
        if not data:
            return []
        if len(data) >= FULL:
            self._buffer, self._heard = LineBuffer(), now
            return []
        quiet, self._heard = now - self._heard, now
        return list(self._buffer.feed(data, quiet))

    def close(self) -> None:
        """Let go of the port."""
        if self._port is not None:
            self._port.close()
        self._port, self._buffer = None, LineBuffer()

    def _open(self, now: float) -> None:
        if now < self._not_before:
            raise ReadError(f"{self.path}: waiting to try it again")
        self._not_before = now + AGAIN_S
        serial = pyserial()
        bits, parity, stop = (self._frame[place] for place in range(3))
        try:
            self._port = serial.Serial(
                self.path, self._speed, int(bits), parity, int(stop), timeout=0, write_timeout=1, exclusive=True
            )
        except OSError as error:
            raise ReadError(f"{self.path}: {error}: is it plugged in, and may this user open it?") from None
        self._buffer, self._heard = LineBuffer(), now


def pyserial() -> Any:
    """The library, imported only where a port is used. Without it that source alone gives nothing."""
    try:
        import serial
    except ImportError:
        raise ReadError("a serial port needs pyserial: pip install 'drymon-sensors[serial]'") from None
    return serial


def words_of(table: Table, units: tuple[str, ...]) -> Words:
    """By the keys unit, steady, moving and ignored."""
    usual = Words()
    unit = table.choice("unit", units, "")
    steady = table.text("steady", " ".join(usual.steady)).upper().split()
    moving = table.text("moving", " ".join(usual.moving)).upper().split()
    ignored = table.text("ignored", " ".join(usual.ignored)).upper().split()
    return Words(unit, tuple(steady), tuple(moving), tuple(ignored))
