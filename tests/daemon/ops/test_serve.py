"""Serving: only what is ours, read-only, byte ranges, no way out of the ready folder."""

from __future__ import annotations

import http.client
import os
import socket
import struct
import threading
import time
from pathlib import Path

import pytest

from daemon.core.errors import MachineError
from daemon.ops.serve import find_file, is_loopback, is_near_name, make_server, wanted_span


@pytest.fixture
def ready(tmp_path: Path) -> Path:
    folder = tmp_path / "ready" / "amber lane~1"
    (folder / "stems").mkdir(parents=True)
    (tmp_path / "ready" / "index.html").write_text("board")
    (folder / "amber.report.html").write_text("page")
    (folder / "amber.wav").write_bytes(bytes(range(256)) * 400)
    (folder / "stems" / "bass.wav").write_bytes(b"bass")
    (folder / "notes.txt").write_text("private")
    (folder / ".hidden.html").write_text("private")
    (tmp_path / "ready" / ".staging").mkdir()
    (tmp_path / "ready" / ".staging" / "half.html").write_text("half-written")
    (tmp_path / "ready" / "other.html").write_text("not ours")
    (tmp_path / "secret.html").write_text("secret")
    return tmp_path / "ready"


@pytest.fixture
def server(ready: Path):
    server = make_server(ready, "127.0.0.1", 0)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    yield server.server_address[1]
    server.shutdown()
    thread.join()
    server.server_close()


def ask(port: int, target: str, method: str = "GET", **headers: str) -> tuple[int, bytes, dict[str, str]]:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request(method, target, headers={name.replace("_", "-"): v for name, v in headers.items()})
    answer = connection.getresponse()
    result = answer.status, answer.read(), dict(answer.getheaders())
    connection.close()
    return result


@pytest.mark.parametrize(
    ("target", "body"),
    [
        ("/", b"board"),
        ("/index.html", b"board"),
        ("/?x=1", b"board"),
        ("/amber%20lane~1/amber.report.html", b"page"),
        ("/amber%20lane~1/stems/bass.wav", b"bass"),
    ],
)
def test_board_pages_and_audio_are_shown(server: int, target: str, body: bytes) -> None:
    status, found, headers = ask(server, target)
    assert (status, found) == (200, body)
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert "Python" not in headers.get("Server", "")


@pytest.mark.parametrize(
    "target",
    [
        "/../secret.html",
        "/%2e%2e/secret.html",
        "/amber%20lane~1/../../secret.html",
        "/amber%20lane~1/..%2f..%2fsecret.html",
        "/..%5csecret.html",
        "//etc/passwd",
        "/etc/passwd",
        "/amber%20lane~1/",
        "/amber%20lane~1",
        "/amber%20lane~1/notes.txt",
        "/amber%20lane~1/.hidden.html",
        "/.staging/half.html",
        "/other.html",
        "/amber%20lane~1/amber.wav%00.html",
        "/amber%20lane~1/amber.report.html/",
        "/%ff/x.html",
        "/C:/x.html",
        "http://elsewhere/secret.html",
    ],
)
def test_nothing_else_is(server: int, target: str) -> None:
    status, body, _ = ask(server, target)
    assert status == 404
    assert b"secret" not in body
    assert b"private" not in body


def test_links_are_not_followed(ready: Path, server: int) -> None:
    os.symlink(ready.parent / "secret.html", ready / "amber lane~1" / "link.html")
    os.symlink(ready.parent, ready / "up")
    assert ask(server, "/amber%20lane~1/link.html")[0] == 404
    assert ask(server, "/up/secret.html")[0] == 404


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes on this system")
def test_a_pipe_does_not_hang_the_server(ready: Path, server: int) -> None:
    os.mkfifo(ready / "amber lane~1" / "pipe.html")
    assert ask(server, "/amber%20lane~1/pipe.html")[0] == 404


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS"])
def test_read_only(server: int, method: str) -> None:
    assert ask(server, "/", method)[0] == 501


def test_head_and_unchanged(server: int) -> None:
    status, body, headers = ask(server, "/", "HEAD")
    assert (status, body, headers["Content-Length"]) == (200, b"", "5")
    assert ask(server, "/", If_None_Match=headers["ETag"])[0] == 304


# RFC 9110, section 14.1.2: byte positions are inclusive, "-500" are the last 500.
@pytest.mark.parametrize(
    ("header", "span"),
    [
        (None, (0, 1000)),
        ("bytes=0-0", (0, 1)),
        ("bytes=0-", (0, 1000)),
        ("bytes=500-999", (500, 1000)),
        ("bytes=900-5000", (900, 1000)),
        ("bytes=-500", (500, 1000)),
        ("bytes=-5000", (0, 1000)),
        ("bytes=1000-", None),
        ("bytes=-0", None),
        ("bytes=5-2", (0, 1000)),
        ("lines=1-2", (0, 1000)),
        ("bytes=0-1,5-6", (0, 1000)),
    ],
)
def test_ranges(header: str | None, span: tuple[int, int] | None) -> None:
    assert wanted_span(header, 1000) == span


def test_players_get_the_range_they_ask_for(server: int) -> None:
    status, body, headers = ask(server, "/amber%20lane~1/amber.wav", Range="bytes=256-511")
    assert (status, body) == (206, bytes(range(256)))
    assert headers["Content-Range"] == "bytes 256-511/102400"
    assert ask(server, "/amber%20lane~1/amber.wav", Range="bytes=999999-")[0] == 416


# A public name pointing to a private address is the sign of DNS rebinding.
@pytest.mark.parametrize(
    ("header", "near"),
    [
        ("127.0.0.1:8360", True),
        ("localhost:8360", True),
        ("[::1]:8360", True),
        ("192.168.1.20", True),
        ("studio.local:8360", True),
        ("studio", True),
        ("evil.example:8360", False),
        ("127.0.0.1.evil.example", False),
        ("", False),
        (None, False),
    ],
)
def test_only_near_names_are_answered(header: str | None, near: bool) -> None:
    assert is_near_name(header) is near


def test_a_public_host_name_is_turned_away(server: int) -> None:
    assert ask(server, "/", Host="evil.example")[0] == 421


def test_loopback_is_known() -> None:
    assert is_loopback("127.0.0.1")
    assert is_loopback("localhost")
    assert not is_loopback("0.0.0.0")


def test_a_phone_that_hangs_up_leaves_no_noise_and_no_harm(server: int, capfd) -> None:
    for _ in range(3):
        with socket.create_connection(("127.0.0.1", server)) as line:
            line.sendall(b"GET /amber%20lane~1/amber.wav HTTP/1.1\r\nHost: x\r\n")
            line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    assert ask(server, "/")[0] == 200
    time.sleep(0.2)
    assert capfd.readouterr().err == ""


def test_a_taken_port_says_what_to_do(ready: Path, server: int) -> None:
    with pytest.raises(MachineError, match="another --host or --port"):
        make_server(ready, "127.0.0.1", server)


def test_find_file_never_leaves(ready: Path) -> None:
    assert find_file(ready.resolve(), "/index.html") == ready.resolve() / "index.html"
    assert find_file(ready.resolve(), "/%zz/../..") is None
