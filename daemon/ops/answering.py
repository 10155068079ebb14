"""What a request to the page server is answered: a request in, status, headers and a span of a file out.

Byte ranges are answered, because players on phones ask for them (RFC 9110, section 14).
"""

from __future__ import annotations

import os
import re
from collections.abc import Collection
from dataclasses import dataclass, field
from email.utils import formatdate
from http import HTTPStatus
from typing import BinaryIO

from daemon.core.regular import open_regular
from daemon.ops.shown import TYPES, Shown
from daemon.ops.webrequest import Refused, Request, check_host
from daemon.report.scripts import script_sources

RANGE = re.compile(r"bytes=(\d{0,18})-(\d{0,18})")


@dataclass(slots=True)
class Answer:
    """Status, headers, and as body a short text or a span of a file (to be closed by who sends it)."""

    status: HTTPStatus
    headers: list[tuple[str, str]] = field(default_factory=list)
    text: bytes = b""
    file: BinaryIO | None = None
    start: int = 0
    length: int = 0

    def head(self, keep: bool) -> bytes:
        lines = [f"HTTP/1.1 {self.status.value} {self.status.phrase}"]
        lines += [f"{name}: {value}" for name, value in self.headers]
        lines += ["Server: beatintake", f"Date: {formatdate(usegmt=True)}"]
        return "\r\n".join([*lines, *([] if keep else ["Connection: close"]), "", ""]).encode("latin-1")


def answer(request: Request, shown: Shown, names: Collection[str]) -> Answer:
    """The answer to a request that came to one of these `names`."""
    try:
        check_host(request.headers, names)
        if request.method not in ("GET", "HEAD"):
            raise Refused(HTTPStatus.NOT_IMPLEMENTED)
        path = shown.find(request.target)
        file = None if path is None else open_regular(path)
    except Refused as refused:
        return refusal(refused.status)
    except OSError:
        path = file = None
    if path is None or file is None:
        return refusal(HTTPStatus.NOT_FOUND)
    try:
        return _of_file(request, file, TYPES[path.suffix.lower()])
    except BaseException:
        file.close()
        raise


def refusal(status: HTTPStatus) -> Answer:
    text = f"{status.phrase}\n".encode()
    return Answer(status, common_headers("text/plain; charset=utf-8", len(text)), text, length=len(text))


def common_headers(kind: str, length: int) -> list[tuple[str, str]]:
    """Nothing runs but our own scripts, nothing is framed, nothing is asked of anybody else."""
    policy = (
        f"default-src 'none'; style-src 'unsafe-inline'; script-src {script_sources()}; media-src 'self'; "
        "frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
    )
    return [
        ("Content-Type", kind),
        ("Content-Length", str(length)),
        ("Content-Security-Policy", policy),
        ("X-Frame-Options", "DENY"),
        ("X-Content-Type-Options", "nosniff"),
        ("Referrer-Policy", "no-referrer"),
        ("Cache-Control", "no-cache"),
        ("Cross-Origin-Resource-Policy", "same-origin"),
    ]


def _of_file(request: Request, file: BinaryIO, kind: str) -> Answer:
    facts = os.fstat(file.fileno())
    size, tag = facts.st_size, f'"{facts.st_mtime_ns:x}-{facts.st_size:x}"'
    if request.headers.get("If-None-Match") == tag:
        file.close()
        return Answer(HTTPStatus.NOT_MODIFIED, [("ETag", tag)])
    span = wanted_span(request.headers.get("Range"), size)
    if span is None:
        file.close()
        headers = [("Content-Range", f"bytes */{size}"), *common_headers(kind, 0)]
        return Answer(HTTPStatus.REQUESTED_RANGE_NOT_SATISFIABLE, headers)
    start, end = span
    headers = [("Accept-Ranges", "bytes"), ("ETag", tag)]
    headers += [
        ("Last-Modified", formatdate(facts.st_mtime, usegmt=True)),
        *common_headers(kind, end - start),
    ]
    status = HTTPStatus.OK
    if span != (0, size):
        status = HTTPStatus.PARTIAL_CONTENT
        headers.append(("Content-Range", f"bytes {start}-{end - 1}/{size}"))
    file.seek(start)
    return Answer(status, headers, file=file, start=start, length=end - start)


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
