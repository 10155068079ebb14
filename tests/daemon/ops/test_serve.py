"""Serving: only what is ours, read-only, no way out of the folders, nobody delayed by others."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import hashlib
import html
import http.client
import json
import os
import re
import select
import socket
import struct
import threading
import time
from pathlib import Path

import pytest

from daemon.core.errors import MachineError
from daemon.ops import serve
from daemon.ops.serve import BoardServer, is_loopback
from daemon.ops.shown import Shown
from daemon.report.board import rebuild_board
from daemon.report.scripts import SCRIPTS, script, script_sources
from tests.daemon.service_kit import settings_for


@pytest.fixture
def ready(tmp_path: Path) -> Path:
    folder = tmp_path / "ready" / "amber lane~1"
    (folder / "stems").mkdir(parents=True)
    (tmp_path / "ready" / "index.html").write_text("board")
    (folder / "amber.report.html").write_text("page")
    (folder / "amber.wav").write_bytes(bytes(range(256)) * 400)
    with (folder / "long.wav").open("wb") as long:
        long.truncate(60_000_000)
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
    yield from running(BoardServer(Shown.of(ready), "127.0.0.1", 0, ["studio.lan"]))


def running(server: BoardServer):
    """Its port, while it serves in a thread of its own."""
    loop = asyncio.new_event_loop()
    task = loop.create_task(server.run())

    def serve_until_cancelled() -> None:
        with contextlib.suppress(asyncio.CancelledError):
            loop.run_until_complete(task)
        loop.close()

    thread = threading.Thread(target=serve_until_cancelled)
    thread.start()
    yield server.port
    loop.call_soon_threadsafe(task.cancel)
    thread.join()


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
        "/amber%20lane~1/rejected.html",
        "/amber%20lane~1/.hidden.html",
        "/.staging/half.html",
        "/other.html",
        "/amber%20lane~1/amber.wav%00.html",
        "/amber%20lane~1/amber.report.html/",
        "/%ff/x.html",
        "/C:/x.html",
        "secret.html",
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


def test_players_get_the_range_they_ask_for(server: int) -> None:
    status, body, headers = ask(server, "/amber%20lane~1/amber.wav", Range="bytes=256-511")
    assert (status, body) == (206, bytes(range(256)))
    assert headers["Content-Range"] == "bytes 256-511/102400"
    assert ask(server, "/amber%20lane~1/amber.wav", Range="bytes=999999-")[0] == 416


def raw(port: int, text: bytes) -> bytes:
    """Everything that comes back for these bytes."""
    with socket.create_connection(("127.0.0.1", port), timeout=5) as line:
        line.sendall(text)
        line.shutdown(socket.SHUT_WR)
        return b"".join(iter(lambda: line.recv(65536), b""))


# A public name pointing to a private address is the sign of DNS rebinding.
@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8360", 200),
        ("localhost:8360", 200),
        ("LOCALHOST", 200),
        ("studio.lan:8360", 200),
        (socket.gethostname(), 200),
        ("[::ffff:127.0.0.1]", 200),
        ("192.168.1.20", 421),
        ("[::1]:8360", 421),
        ("studio", 421),
        ("studio.lan.evil.example", 421),
        ("evil.example:8360", 421),
        ("127.0.0.1.evil.example", 421),
        ("studio.lan:99999", 400),
        ("studio.lan:", 400),
        ("a@studio.lan", 400),
        ("studio..lan", 400),
        ("-studio.lan", 400),
        ("studio.lan/x", 400),
        ("127.0.0.300", 400),
        ("", 400),
    ],
)
def test_only_well_formed_names_that_are_configured_are_answered(server: int, host: str, status: int) -> None:
    got = raw(server, f"GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode())
    assert got.split()[1] == str(status).encode()


@pytest.mark.parametrize(
    "head",
    [
        b"GET / HTTP/1.1\r\n\r\n",  # RFC 9112, section 3.2: no Host, or two of them: 400
        b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: studio.lan\r\n\r\n",
        b"GET  / HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET http://localhost/index.html HTTP/1.1\r\n\r\n",
        b"GET / HTTP/2\r\nHost: localhost\r\n\r\n",
        b"\x16\x03\x01\x02\x00\r\n\r\n",
        b"GET /" + b"a" * 5000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
    ],
)
def test_what_is_no_request_is_refused(server: int, head: bytes) -> None:
    got = raw(server, head)
    assert got.startswith(b"HTTP/1.1 400 ")
    assert b"Connection: close" in got


def test_an_endless_head_is_cut(server: int) -> None:
    assert raw(server, b"GET / HTTP/1.1\r\nX: " + b"a" * 40_000).startswith(b"HTTP/1.1 431 ")


def test_one_line_serves_many_requests_and_a_body_ends_it(server: int) -> None:
    get = b"GET / HTTP/1.1\r\nHost: localhost\r\n"
    assert raw(server, (get + b"\r\n") * 3).count(b"HTTP/1.1 200 OK") == 3
    inside = get + b"Content-Length: 60\r\n\r\n" + get + b"\r\n"
    assert raw(server, inside).count(b"HTTP/1.1") == 1


# --- what the browser is told ------------------------------------------------------------------------


@pytest.mark.parametrize("target", ["/", "/nothing", "/amber%20lane~1/amber.wav"])
def test_no_foreign_script_runs_and_no_other_page_frames_ours(server: int, target: str) -> None:
    """CSP Level 3; RFC 7034 for the older header."""
    headers = ask(server, target)[2]
    policy = headers["Content-Security-Policy"]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == rules["frame-ancestors"] == rules["base-uri"] == "'none'"
    assert set(rules["script-src"].split()) == set(script_sources().split())
    assert "unsafe" not in rules["script-src"]
    assert headers["X-Frame-Options"] == "DENY"


def test_each_page_names_its_own_script_by_hash(tmp_path: Path) -> None:
    (tmp_path / "ready").mkdir()
    page = rebuild_board(settings_for(tmp_path)).read_text()
    inline = re.search(r"<script>(.*?)</script>", page, re.S)[1]
    digest = base64.b64encode(hashlib.sha256(inline.encode()).digest()).decode()
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1]
    assert f"script-src 'sha256-{digest}';" in html.unescape(policy)
    assert all("{{" not in script(name) for name in SCRIPTS)


# --- slow and many ----------------------------------------------------------------------------------


def test_two_hundred_slow_connections_delay_nobody(server: int) -> None:
    """Half of them send no end of a request, half take nothing of a long answer."""
    lines = []
    try:
        for k in range(200):
            line = socket.create_connection(("127.0.0.1", server), timeout=5)
            line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            end = b"" if k % 2 else b"\r\n"
            line.sendall(b"GET /amber%20lane~1/long.wav HTTP/1.1\r\nHost: localhost\r\n" + end)
            lines.append(line)
        took = []
        for _ in range(5):
            begin = time.monotonic()
            assert ask(server, "/")[0] == 200
            took.append(time.monotonic() - begin)
        assert max(took) < serve.HEAD_S / 2  # who waits for the slow ones waits as long as they are given
        assert threading.active_count() < 60
    finally:
        for line in lines:
            line.close()


@pytest.mark.skipif(not hasattr(socket, "TCP_INFO"), reason="the system does not count what is sent again")
def test_a_burst_of_connections_fits_the_queue(server: int) -> None:
    """All at once, each with a good request: a full queue would make it send again, a second later."""
    lines = [socket.socket() for _ in range(200)]
    try:
        for line in lines:
            line.setblocking(False)
            line.connect_ex(("127.0.0.1", server))
        for line in lines:
            line.settimeout(60)
            select.select([], [line], [], 60)
            line.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        for line in lines:
            assert line.recv(12) == b"HTTP/1.1 200"
        facts = [line.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 104) for line in lines]
        assert [struct.unpack_from("I", info, 100)[0] for info in facts] == [0] * 200  # tcpi_total_retrans
    finally:
        for line in lines:
            line.close()


def test_the_most_silent_goes_when_there_are_too_many(ready: Path, monkeypatch) -> None:
    monkeypatch.setattr(serve, "MOST_CONNECTIONS", 3)
    for port in running(BoardServer(Shown.of(ready), "127.0.0.1", 0)):
        lines = []
        for _ in range(3):
            lines.append(socket.create_connection(("127.0.0.1", port), timeout=5))
            time.sleep(0.05)
        assert ask(port, "/")[0] == 200
        assert lines[0].recv(1) == b""  # let go
        lines[2].sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert lines[2].recv(12) == b"HTTP/1.1 200"
        for line in lines:
            line.close()


def test_who_sends_no_whole_request_or_takes_no_answer_is_let_go(ready: Path, monkeypatch) -> None:
    monkeypatch.setattr(serve, "HEAD_S", 0.4)
    monkeypatch.setattr(serve, "STALL_S", 0.4)
    for port in running(BoardServer(Shown.of(ready), "127.0.0.1", 0)):
        with socket.create_connection(("127.0.0.1", port), timeout=5) as line:
            begin = time.monotonic()
            with contextlib.suppress(ConnectionError):
                while time.monotonic() - begin < 3:  # a byte now and then does not help
                    line.sendall(b"G")
                    time.sleep(0.05)
            assert time.monotonic() - begin < 2
        with socket.create_connection(("127.0.0.1", port), timeout=5) as line:
            line.sendall(b"GET /amber%20lane~1/long.wav HTTP/1.1\r\nHost: localhost\r\n\r\n")
            time.sleep(1.5)
            with contextlib.suppress(ConnectionError):
                got = sum(map(len, iter(lambda: line.recv(1 << 20), b"")))
                assert got < 60_000_000


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
        BoardServer(Shown.of(ready), "127.0.0.1", server)


@pytest.mark.parametrize("version", ["1.0", "2.0"])
def test_beats_of_other_releases_are_listed_and_their_pages_served(tmp_path: Path, version: str) -> None:
    """Pages are files of their own: the release that wrote them does not matter to who serves them."""
    ready = tmp_path / "ready"
    folder = ready / "amber lane"
    folder.mkdir(parents=True)
    frozen = Path(__file__).parents[1] / "report" / "frozen" / "1.0-first.json"
    data = json.loads(frozen.read_bytes()) | {"schema_version": version}
    (folder / data["files"]["report"]).write_text(json.dumps(data))
    (folder / data["files"]["page"]).write_text("the page as it was written")
    rebuild_board(settings_for(tmp_path))
    for port in running(BoardServer(Shown.of(ready), "127.0.0.1", 0)):
        status, board, _ = ask(port, "/")
        address = re.search(rb'href="(amber%20lane/[^"]+)"', board)
        assert status == 200
        assert address is not None
        assert (b"Written by another version" in board) == (version == "2.0")
        assert ask(port, "/" + address[1].decode())[:2] == (200, b"the page as it was written")
