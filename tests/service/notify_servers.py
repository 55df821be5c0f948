"""Servers that take mail and webhooks on loopback, well or badly: what the notification tests talk to."""

import contextlib
import socketserver
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


@dataclass
class MailBox:
    """A small SMTP server (RFC 5321) and what it took. `moods` are used up one a message, then all is well.

    moods: "busy" (451 after the data), "hang" (takes the message, never answers), "drop" (takes it, hangs up),
    "full" (452 at the recipient).
    """

    tls: ssl.SSLContext | None = None
    refuse: str = ""
    moods: list[str] = field(default_factory=list)
    taken: list[EmailMessage] = field(default_factory=list)
    logins: list[str] = field(default_factory=list)
    encrypted: list[bool] = field(default_factory=list)
    released: threading.Event = field(default_factory=threading.Event)
    port: int = 0

    def arrived(self) -> dict[str, EmailMessage]:
        """What a reader sees: mail systems show one of several copies with the same Message-ID."""
        return {str(message["Message-ID"]): message for message in self.taken}


class _Smtp(socketserver.StreamRequestHandler):
    server: Any

    def handle(self) -> None:
        self.box: MailBox = self.server.box
        self.secure = False
        self._say(220, "here")
        try:
            while line := self.rfile.readline():
                if not self._answer(line.decode().strip()):
                    return
        except OSError:
            return

    def _say(self, code: int, text: str) -> None:
        self.wfile.write(f"{code} {text}\r\n".encode())

    def _answer(self, line: str) -> bool:
        verb = line[:4].upper()
        if verb == "EHLO":
            offers = ["here", "AUTH PLAIN", *(["STARTTLS"] if self.box.tls and not self.secure else [])]
            for offer in offers[:-1]:
                self.wfile.write(f"250-{offer}\r\n".encode())
            self._say(250, offers[-1])
        elif verb == "STAR":
            return self._encrypt()
        elif verb == "AUTH":
            self.box.logins.append(line.split()[-1])
            self._say(235, "welcome")
        elif verb == "RCPT" and self._next_mood("full"):
            self._say(452, "mailbox full")
        elif verb == "RCPT" and self.box.refuse and self.box.refuse in line:
            self._say(550, "no such person")
        elif verb == "DATA":
            return self._data()
        elif verb == "QUIT":
            self._say(221, "bye")
            return False
        else:
            self._say(250, "fine")
        return True

    def _encrypt(self) -> bool:
        self._say(220, "go ahead")
        self.connection = self.box.tls.wrap_socket(self.connection, server_side=True)
        self.rfile, self.wfile = self.connection.makefile("rb"), self.connection.makefile("wb", 0)
        self.secure = True
        return True

    def _data(self) -> bool:
        self._say(354, "go ahead")
        raw = b""
        while (line := self.rfile.readline()) != b".\r\n":
            raw += line[1:] if line.startswith(b"..") else line
        if self._next_mood("busy"):
            self._say(451, "try again later")
            return True
        self.box.taken.append(message_from_bytes(raw, policy=policy.default))
        self.box.encrypted.append(self.secure)
        if self._next_mood("hang"):
            self.box.released.wait(20)
            return False
        if self._next_mood("drop"):
            return False
        self._say(250, "taken")
        return True

    def _next_mood(self, mood: str) -> bool:
        if self.box.moods and self.box.moods[0] == mood:
            self.box.moods.pop(0)
            return True
        return False


@contextmanager
def mail_server(**settings: Any) -> Iterator[MailBox]:
    """A mail server on a free port, as long as the block lasts."""
    box = MailBox(**settings)
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), _Smtp) as server:
        server.daemon_threads = True
        server.box = box  # type: ignore[attr-defined]
        box.port = server.server_address[1]
        threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
        try:
            yield box
        finally:
            box.released.set()
            server.shutdown()


@dataclass
class Hook:
    """A webhook receiver and what it got: headers and body. `moods`: status codes, "hang", "drop", "lost", "drip"
    (a byte of the answer now and then, without an end).
    """

    moods: list[int | str] = field(default_factory=list)
    got: list[tuple[dict[str, str], bytes]] = field(default_factory=list)
    released: threading.Event = field(default_factory=threading.Event)
    url: str = ""

    def arrived(self) -> dict[str, bytes]:
        """What a receiver acts on: one of several with the same webhook-id."""
        return {headers["webhook-id"]: body for headers, body in self.got}


class _Http(BaseHTTPRequestHandler):
    server: Any

    def do_POST(self) -> None:
        hook: Hook = self.server.hook
        body = self.rfile.read(int(self.headers["Content-Length"]))
        mood = hook.moods.pop(0) if hook.moods else 204
        if mood in (503, 302, "lost"):
            self._reply(503 if mood == "lost" else int(mood))
            return
        hook.got.append(({key.lower(): value for key, value in self.headers.items()}, body))
        if mood == "hang":
            hook.released.wait(20)
        elif mood == "drip":
            self.wfile.write(b"HTTP/1.1 204 No Content\r\nX-Slow: ")
            with contextlib.suppress(OSError):  # the sender has gone
                while not hook.released.wait(0.1):
                    self.wfile.write(b"a")
        elif mood == "twice":  # one request, two answers on the wire
            self.wfile.write(b"HTTP/1.1 204 No Content\r\n\r\nHTTP/1.1 204 No Content\r\n\r\n")
        elif mood != "drop":
            self._reply(int(mood))

    def do_GET(self) -> None:
        self.server.hook.got.append(({"webhook-id": "followed"}, b""))
        self._reply(200)

    def _reply(self, code: int) -> None:
        self.send_response(code)
        if code == 302:
            self.send_header("Location", "/elsewhere")
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:
        return


@contextmanager
def hook_server(moods: list[int | str] | None = None) -> Iterator[Hook]:
    """A webhook receiver on a free port, as long as the block lasts."""
    hook = Hook(moods or [])
    with ThreadingHTTPServer(("127.0.0.1", 0), _Http) as server:
        server.daemon_threads = True
        server.hook = hook  # type: ignore[attr-defined]
        hook.url = f"http://127.0.0.1:{server.server_address[1]}/drymon"
        threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
        try:
            yield hook
        finally:
            hook.released.set()
            server.shutdown()
