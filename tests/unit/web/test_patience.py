"""A real socket to a real server: who sends a request slowly, or never, holds no place for ever."""

import socket
import threading
import time
from collections.abc import Callable, Iterator

import pytest
import uvicorn
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import Receive, Scope, Send

from ovenwright.web import patience
from ovenwright.web.serve_command import listen


async def echo(scope: Scope, receive: Receive, send: Send) -> None:
    if scope["type"] != "http":
        return
    body = await Request(scope, receive).body()
    await PlainTextResponse(f"{len(body)}")(scope, receive, send)


@pytest.fixture
def connect(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], socket.socket]]:
    monkeypatch.setattr(patience, "HEAD_S", 0.6)
    monkeypatch.setattr(patience, "STILL_S", 0.6)
    monkeypatch.setattr(patience, "MOST_AT_ONCE", 4)
    listening = listen("127.0.0.1", 0)
    config = uvicorn.Config(echo, log_level="critical", lifespan="off", **patience.options())
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    opened = []

    def made() -> socket.socket:
        one = socket.create_connection(listening.getsockname(), timeout=10)
        opened.append(one)
        return one

    yield made
    for one in opened:
        one.close()
    server.should_exit = True
    thread.join(10)


def answer(one: socket.socket) -> bytes:
    """All that comes until the server ends the connection or has answered once."""
    found = b""
    while b"\r\n\r\n" not in found:
        more = one.recv(4096)
        if not more:
            break
        found += more
    return found


HEAD = b"GET / HTTP/1.1\r\nhost: here\r\n"


def test_a_head_that_never_ends_ends_the_connection(
    connect: Callable[[], socket.socket],
) -> None:
    slow = connect()
    slow.sendall(HEAD)
    began = time.monotonic()
    ended = False
    while not ended and time.monotonic() - began < 10:
        try:
            slow.sendall(b"x: y\r\n")  # byte by byte it gains no time
            slow.settimeout(0.1)
            ended = slow.recv(1) == b""
        except TimeoutError:
            continue
        except OSError:
            ended = True
    assert ended


def test_who_says_nothing_is_let_go_and_others_are_served(
    connect: Callable[[], socket.socket],
) -> None:
    silent = [connect() for _ in range(6)]
    assert all(one.recv(1) == b"" for one in silent)
    served = connect()
    served.sendall(HEAD + b"\r\n")
    assert answer(served).startswith(b"HTTP/1.1 200")


def test_a_body_that_stands_still_ends_and_a_slow_one_is_taken(
    connect: Callable[[], socket.socket],
) -> None:
    still, slow = connect(), connect()
    post = b"POST / HTTP/1.1\r\nhost: here\r\ncontent-length: 6\r\n\r\n"
    still.sendall(post + b"ab")
    slow.sendall(post)
    for letter in b"abcdef":
        time.sleep(0.25)  # 1.5 s in all, longer than a body may stand still
        slow.sendall(bytes([letter]))
    assert answer(slow).startswith(b"HTTP/1.1 200")
    assert answer(still) == b""


def test_too_many_at_once_are_told(connect: Callable[[], socket.socket]) -> None:
    held = [connect() for _ in range(3)]
    time.sleep(0.1)
    one_more = connect()
    one_more.sendall(HEAD + b"\r\n")
    assert answer(one_more).startswith(b"HTTP/1.1 503")
    assert len(held) == 3


def test_a_second_request_on_a_connection_waits_anew(
    connect: Callable[[], socket.socket],
) -> None:
    one = connect()
    for _ in range(3):
        one.sendall(HEAD + b"\r\n")
        assert b"HTTP/1.1 200" in answer(one)
        time.sleep(0.4)  # together longer than a head may take


def test_a_head_too_long_is_refused(connect: Callable[[], socket.socket]) -> None:
    one = connect()
    one.sendall(HEAD + b"x: " + b"y" * (patience.LONGEST_HEAD + 4096))
    assert answer(one).startswith(b"HTTP/1.1 4")
