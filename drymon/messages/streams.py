"""Recorded streams: JSON Lines, one message a line, in time order, plain or gzipped."""

import base64
import binascii
import gzip
import heapq
import json
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from drymon.errors import StreamError
from drymon.messages.complaints import as_written
from drymon.messages.message import Message
from drymon.messages.times import parse_time, stamp
from drymon.messages.topics import text_problem

KEYS = ("time", "topic", "payload", "payload_base64", "retain", "qos")
_GZIP = b"\x1f\x8b"


def read_stream(paths: Sequence[Path]) -> Iterator[Message]:
    """The messages of one or several streams, merged by time; equal times keep the order of `paths`.

    Raises StreamError with file and line where a line is no message or steps back in time.
    """
    return heapq.merge(*(_one_stream(path) for path in paths), key=lambda message: message.arrived)


def parse_line(line: str) -> Message:
    """The message of one line; ValueError says what was received and what is allowed."""
    try:
        data = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise ValueError(f"received {as_written(line)}; allowed is a JSON object ({error})") from None
    if not isinstance(data, dict):
        raise ValueError(f"received {as_written(data)}; allowed is a JSON object")
    if unknown := [key for key in data if key not in KEYS]:
        raise ValueError(f"received the key {as_written(unknown[0])}; allowed are {', '.join(KEYS)}")
    if problem := text_problem(data.get("topic")):  # a wildcard in it is refused at the door, and the stream goes on
        raise ValueError(f"topic: received {as_written(data.get('topic'))}; {problem}")
    return Message(
        arrived=parse_time(data.get("time")),
        topic=data["topic"],
        payload=_payload(data),
        retain=_flag(data.get("retain", False)),
        qos=_qos(data.get("qos", 0)),
    )


def format_line(message: Message) -> str:
    """The line of a message, without its end."""
    data: dict[str, Any] = {"time": stamp(message.arrived), "topic": message.topic}
    try:
        data["payload"] = message.payload.decode("utf-8")
    except UnicodeDecodeError:
        data["payload_base64"] = base64.b64encode(message.payload).decode("ascii")
    if message.retain:
        data["retain"] = True
    if message.qos:
        data["qos"] = message.qos
    return json.dumps(data, ensure_ascii=False)


class StreamWriter:
    """Writes a recorded stream, gzipped where the name ends in .gz; a context manager. An existing file is replaced.

    Two streams of the same messages are the same bytes: the gzip header carries neither name nor time.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._raw: IO[bytes] = path.open("wb")
        except OSError as error:
            raise StreamError(f"{path}: cannot be written ({error}); name a file in a folder that exists") from error
        zipped = path.suffix == ".gz"
        self._zip = gzip.GzipFile(filename="", mode="wb", fileobj=self._raw, mtime=0) if zipped else None

    def write(self, message: Message) -> None:
        """Appends one message."""
        line = (format_line(message) + "\n").encode()
        if self._zip is None:
            self._raw.write(line)
        else:
            self._zip.write(line)

    def close(self) -> None:
        """Completes the file."""
        if self._zip is not None:
            self._zip.close()
        self._raw.close()

    def __enter__(self) -> "StreamWriter":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _one_stream(path: Path) -> Iterator[Message]:
    last: Message | None = None
    for number, raw in enumerate(_lines(path), 1):
        if not raw.strip():
            continue
        try:
            message = parse_line(raw.decode("utf-8"))
        except ValueError as error:
            raise StreamError(f"{path}, line {number}: {error}") from None
        if last is not None and message.arrived < last.arrived:
            raise StreamError(
                f"{path}, line {number}: received the time {stamp(message.arrived)} after {stamp(last.arrived)}; "
                "allowed are lines in the order of their times: sort them"
            )
        last = message
        yield message


def _lines(path: Path) -> Iterator[bytes]:
    """Raw lines; what is gzipped shows in its first bytes, whatever it is called."""
    try:
        with path.open("rb") as raw:
            zipped = raw.read(2) == _GZIP
            raw.seek(0)
            yield from gzip.GzipFile(fileobj=raw) if zipped else raw
    except (OSError, EOFError, zlib.error) as error:
        raise StreamError(
            f"{path}: cannot be read ({error}); allowed is a recorded stream, .jsonl or .jsonl.gz"
        ) from error


def _payload(data: dict[str, Any]) -> bytes:
    if ("payload" in data) == ("payload_base64" in data):
        raise ValueError("payload: allowed is exactly one of payload and payload_base64")
    key = "payload" if "payload" in data else "payload_base64"
    value = data[key]
    try:
        if isinstance(value, str):
            return value.encode() if key == "payload" else base64.b64decode(value, validate=True)
    except (UnicodeEncodeError, binascii.Error) as error:
        raise ValueError(f"{key}: received {as_written(key)} that cannot be read ({error})") from None
    raise ValueError(f"{key}: received {as_written(value)}; allowed is text, JSON within it in quotes")


def _flag(value: Any) -> bool:
    if isinstance(value, bool):
        return value
    raise ValueError(f"retain: received {as_written(value)}; allowed is true or false")


def _qos(value: Any) -> int:
    if not isinstance(value, bool) and value in (0, 1, 2):
        return int(value)
    raise ValueError(f"qos: received {as_written(value)}; allowed are 0, 1 and 2")
