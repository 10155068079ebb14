"""The form of host names and addresses."""

from __future__ import annotations

import ipaddress
import re

HOST_NAME = re.compile(
    r"(?!.{254})(?:(?!-)[a-z0-9-]{1,63}(?<!-)\.)*(?!-)(?!\d+$)[a-z0-9-]{1,63}(?<!-)", re.I | re.A
)


def is_host_name(text: str) -> bool:
    """Is it a well-formed host name? RFC 1123, section 2.1; its last part is not a number."""
    return HOST_NAME.fullmatch(text) is not None


def is_address(text: str) -> bool:
    """Is it an IPv4 or IPv6 address, without brackets and port?"""
    try:
        return bool(ipaddress.ip_address(text))
    except ValueError:
        return False


def host(text: str) -> str:
    """The same text. Raises ValueError when it is neither."""
    if not is_host_name(text) and not is_address(text):
        raise ValueError("a host name such as studio.lan, or an address; no port")
    return text
