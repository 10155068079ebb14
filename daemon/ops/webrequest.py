"""A request to the page server: its form, and whether it is meant for us. Bytes in, plain values out.

Source: RFC 9112 (the form of a request; section 3.2: Host).
"""

from __future__ import annotations

import http.client
import io
import ipaddress
import re
from collections.abc import Collection
from dataclasses import dataclass
from email.message import Message
from http import HTTPStatus

from config.hosts import is_host_name

REQUEST_LINE = re.compile(r"([A-Z]{1,20}) (\S{1,4096}) HTTP/1\.([01])")
HOST = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[^:\[\]@/\s]+)(?::(\d{1,5}))?")


class Refused(Exception):
    """This request gets no file; the argument is the status."""

    def __init__(self, status: HTTPStatus) -> None:
        super().__init__(status)
        self.status = status


@dataclass(frozen=True, slots=True)
class Request:
    method: str
    target: str
    headers: Message
    minor: int = 1  # of HTTP/1

    @property
    def keep(self) -> bool:
        """May the connection be used again? Not after a body, which nobody here reads."""
        body = self.headers.get("Transfer-Encoding") or self.headers.get("Content-Length", "0") != "0"
        return self.minor == 1 and not body and (self.headers.get("Connection") or "").lower() != "close"


def parse_request(head: bytes) -> Request:
    """The head of a request up to its empty line. Raises Refused when it has not the form of one."""
    line, _, rest = head.partition(b"\r\n")
    found = REQUEST_LINE.fullmatch(line.decode("latin-1"))
    if found is None:
        raise Refused(HTTPStatus.BAD_REQUEST)
    try:
        headers = http.client.parse_headers(io.BytesIO(rest))
    except http.client.HTTPException as error:
        raise Refused(HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE) from error
    return Request(found[1], found[2], headers, int(found[3]))


def check_host(headers: Message, names: Collection[str]) -> None:
    """Raises Refused unless the request is for one of our names.

    A page elsewhere can let its own public name point here and read what we serve (DNS rebinding); such a
    request carries that public name.
    """
    given = headers.get_all("Host") or []
    name = host_name(given[0]) if len(given) == 1 else None
    if name is None:
        raise Refused(HTTPStatus.BAD_REQUEST)
    if name not in names:
        raise Refused(HTTPStatus.MISDIRECTED_REQUEST)


def host_name(header: str) -> str | None:
    """The name or address in a Host header as it is compared; None when it is not well formed."""
    found = HOST.fullmatch(header)
    if found is None or int(found[2] or 0) > 65535:
        return None
    name = found[1]
    try:
        return plain_address(name.strip("[]"))
    except ValueError:
        return name.lower() if is_host_name(name) else None


def plain_address(text: str) -> str:
    """One form for each address; IPv4 inside IPv6 as IPv4. Raises ValueError."""
    address = ipaddress.ip_address(text)
    mapped = getattr(address, "ipv4_mapped", None)
    return str(mapped or address)
