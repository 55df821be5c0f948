"""Connections that never come to an end: they cost the others nothing, and themselves their place."""

import contextlib
import http.client
import socket
import threading
import time
from collections.abc import Iterator

import pytest
from waitress.server import create_server

from drymon.web.channels import MOST_OF_ONE, make_patient
from tests.page.conftest import until


@pytest.fixture
def port() -> Iterator[int]:
    """A server as the page has it, with less patience."""

    def app(environ, start_response):
        start_response("200 OK", [("Content-Type", "text/plain")])
        return [b"here"]

    server = create_server(app, host="127.0.0.1", port=0, threads=2)
    make_patient(server, time.monotonic, ask_s=2.0)

    def run() -> None:
        with contextlib.suppress(OSError):  # the test's end closes the port under it
            server.run()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    yield int(server.effective_port)
    server.close()
    thread.join(5.0)


def dripping(port: int, address: str) -> socket.socket:
    connection = socket.create_connection(("127.0.0.1", port), 5, source_address=(address, 0))
    connection.sendall(b"GET / HTTP/1.1\r\nX-")
    return connection


def drip(connections: list[socket.socket]) -> int:
    """A byte to each; how many of them are still open."""
    open_still = 0
    for connection in connections:
        with contextlib.suppress(OSError):
            connection.sendall(b"a")
            connection.setblocking(False)
            try:
                open_still += connection.recv(1) != b""
            except BlockingIOError:
                open_still += 1
    return open_still


def answer(port: int, address: str = "127.0.0.1") -> bytes:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=2, source_address=(address, 0))
    try:
        connection.request("GET", "/")
        return connection.getresponse().read()
    except OSError:
        return b""
    finally:
        connection.close()


def test_a_hundred_dripping_connections_leave_the_page_to_others_and_end(port: int) -> None:
    connections = [dripping(port, "127.0.0.2") for _ in range(100)]
    try:
        assert until(lambda: 0 < drip(connections) <= MOST_OF_ONE)
        assert answer(port, "127.0.0.3") == b"here"
        assert until(lambda: drip(connections) == 0)
        assert answer(port, "127.0.0.2") == b"here"
    finally:
        for connection in connections:
            connection.close()


def test_a_connection_that_goes_on_asking_is_kept(port: int) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    for _ in range(5):
        connection.request("GET", "/")
        assert connection.getresponse().read() == b"here"
        time.sleep(0.7)
    assert connection.sock is not None, "one connection, for longer than a request may take"
    connection.close()
