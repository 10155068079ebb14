"""Show the board and the reports in a browser: read-only, this machine only unless asked otherwise.

Only the board and the outputs in ready folders are handed out: no other file, no listing, no
link to somewhere else, no private or hidden name. Byte ranges are answered, because players on
phones ask for them (RFC 9110, section 14).
"""

from __future__ import annotations

import ipaddress
import os
import re
import socket
import stat
import sys
from email.utils import formatdate
from functools import partial
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import BinaryIO
from urllib.parse import unquote, urlsplit

from config.settings import Settings
from daemon.core.errors import MachineError
from daemon.report.board import BOARD_FILE, rebuild_board

TYPES = {
    ".html": "text/html; charset=utf-8",
    ".json": "application/json",
    ".mid": "audio/midi",
    ".dawproject": "application/zip",
    ".aaf": "application/octet-stream",
    ".wav": "audio/wav",
    ".flac": "audio/flac",
}
BLOCK = 1 << 16
IDLE_S = 30.0
RANGE = re.compile(r"bytes=(\d*)-(\d*)")
LOCAL_NAMES = (".local", ".lan", ".home.arpa", ".internal")


def serve_ready(settings: Settings, *, host: str, port: int) -> int:
    """The command: serve until Ctrl-C. Raises MachineError when the address cannot be had."""
    ready = settings.folders.ready
    try:
        rebuild_board(ready, settings.folders.state)
    except MachineError as error:
        print(f"the board is shown as it is: {error}", file=sys.stderr)
    server = make_server(ready, host, port)
    shown = f"[{host}]" if ":" in host else host
    print(f"the board is at http://{shown}:{server.server_address[1]}/  (Ctrl-C ends it)")
    if not is_loopback(host):
        print("everybody on this network can now see and hear the beats; read-only", file=sys.stderr)
    try:
        server.serve_forever()
    except KeyboardInterrupt:
        pass
    finally:
        server.server_close()
    return 0


def make_server(ready: Path, host: str, port: int) -> ThreadingHTTPServer:
    """A server that is bound and ready to run."""

    class Server(ThreadingHTTPServer):
        daemon_threads = True
        address_family = socket.AF_INET6 if ":" in host else socket.AF_INET

        def handle_error(self, request: object, client_address: object) -> None:
            error = sys.exc_info()[1]
            if not isinstance(error, ConnectionError | TimeoutError):  # phones hang up as they like
                print(f"a request failed: {error!r}", file=sys.stderr)

    try:
        return Server((host, port), partial(ReadyHandler, ready.resolve()))
    except (OSError, OverflowError) as error:
        raise MachineError(
            f"{host}:{port}", f"cannot listen there ({error})", "choose another --host or --port"
        ) from error


def is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def is_near_name(header: str | None) -> bool:
    """Is this Host header an address or a name of the local network?

    A page elsewhere can let its own public name point here and read what we serve (DNS
    rebinding); such a request carries that public name.
    """
    if not header:
        return False
    name = urlsplit(f"//{header}").hostname or ""
    try:
        ipaddress.ip_address(name)
        return True
    except ValueError:
        return "." not in name or name.endswith(LOCAL_NAMES) or name == socket.getfqdn().lower()


def find_file(ready: Path, target: str) -> Path | None:
    """The file that a request target names; None for everything that is not ours to show.

    Allowed are the board, FOLDER/FILE and FOLDER/stems/FILE with a known ending.
    """
    try:
        parts = unquote(urlsplit(target).path, errors="strict").split("/")[1:]
    except (UnicodeDecodeError, ValueError):
        return None
    if parts == [""]:
        parts = [BOARD_FILE]
    odd = any(not p or p.startswith(".") or re.search(r'[\\:\x00-\x1f"<>|?*]', p) for p in parts)
    deep = (
        len(parts) > 3
        or (len(parts) == 3 and parts[1] != "stems")
        or (len(parts) == 1 and parts[0] != BOARD_FILE)
    )
    path = ready.joinpath(*parts) if not odd else ready
    if odd or deep or path.suffix.lower() not in TYPES:
        return None
    try:
        return path if path.resolve(strict=True) == path else None  # a link on the way resolves elsewhere
    except (OSError, ValueError):
        return None


class ReadyHandler(BaseHTTPRequestHandler):
    """GET and HEAD; anything else is refused by the base class."""

    server_version = "beatintake"
    sys_version = ""
    protocol_version = "HTTP/1.1"
    timeout = IDLE_S

    def __init__(self, ready: Path, *arguments: object) -> None:
        self.ready = ready
        super().__init__(*arguments)  # type: ignore[arg-type]

    def do_GET(self) -> None:
        self._answer(body=True)

    def do_HEAD(self) -> None:
        self._answer(body=False)

    def log_message(self, format: str, *args: object) -> None:
        return

    def _answer(self, *, body: bool) -> None:
        if not is_near_name(self.headers.get("Host")):
            self._refuse(HTTPStatus.MISDIRECTED_REQUEST)
            return
        path = find_file(self.ready, self.path)
        try:
            file = None if path is None else open_regular(path)
        except OSError:
            file = None
        if path is None or file is None:
            self._refuse(HTTPStatus.NOT_FOUND)
            return
        try:
            with file:
                self._send(file, TYPES[path.suffix.lower()], body)
        except (ConnectionError, TimeoutError):
            self.close_connection = True

    def _refuse(self, status: HTTPStatus) -> None:
        text = f"{status.phrase}\n".encode()
        self.send_response(status)
        self._common("text/plain; charset=utf-8", len(text))
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(text)

    def _common(self, kind: str, length: int) -> None:
        for name, value in (
            ("Content-Type", kind),
            ("Content-Length", str(length)),
            ("X-Content-Type-Options", "nosniff"),
            ("Referrer-Policy", "no-referrer"),
            ("Cache-Control", "no-cache"),
            ("Cross-Origin-Resource-Policy", "same-origin"),
        ):
            self.send_header(name, value)

    def _send(self, file: BinaryIO, kind: str, body: bool) -> None:
        facts = os.fstat(file.fileno())
        tag = f'"{facts.st_mtime_ns:x}-{facts.st_size:x}"'
        if self.headers.get("If-None-Match") == tag:
            self.send_response(HTTPStatus.NOT_MODIFIED)
            self.send_header("ETag", tag)
            self.end_headers()
            return
        span = wanted_span(self.headers.get("Range"), facts.st_size)
        if span is None:
            self.send_response(HTTPStatus.REQUESTED_RANGE_NOT_SATISFIABLE)
            self.send_header("Content-Range", f"bytes */{facts.st_size}")
            self._common(kind, 0)
            self.end_headers()
            return
        start, end = span
        partial_answer = (start, end) != (0, facts.st_size)
        self.send_response(HTTPStatus.PARTIAL_CONTENT if partial_answer else HTTPStatus.OK)
        if partial_answer:
            self.send_header("Content-Range", f"bytes {start}-{end - 1}/{facts.st_size}")
        self.send_header("Accept-Ranges", "bytes")
        self.send_header("ETag", tag)
        self.send_header("Last-Modified", formatdate(facts.st_mtime, usegmt=True))
        self._common(kind, end - start)
        self.end_headers()
        file.seek(start)
        left = end - start if body else 0
        while left > 0 and (block := file.read(min(BLOCK, left))):
            self.wfile.write(block)
            left -= len(block)
        if left > 0:
            self.close_connection = True  # it became shorter under our hands


def open_regular(path: Path) -> BinaryIO | None:
    """The file opened for reading; None when it is a link, pipe or device."""
    flags = (
        os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    )
    file = os.fdopen(os.open(path, flags), "rb")
    if stat.S_ISREG(os.fstat(file.fileno()).st_mode):
        return file
    file.close()
    return None


def wanted_span(header: str | None, size: int) -> tuple[int, int] | None:
    """First byte and one past the last of a Range header; all of it without one; None: beyond the end."""
    match = RANGE.fullmatch(header.strip()) if header else None
    if not match or match.groups() == ("", ""):
        return 0, size
    first, last = match.groups()
    if not first:
        return (max(size - int(last), 0), size) if int(last) else None
    start, end = int(first), min(int(last) + 1, size) if last else size
    if start >= size:
        return None
    return (start, end) if start < end else (0, size)
