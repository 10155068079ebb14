"""Show the board and the reports in a browser: read-only, this machine only unless asked otherwise.

One thread looks after all connections, so that many slow ones delay nobody; files are read in a few more.
Who sends no whole request in time is let go, and when there are too many, who has been silent longest.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
import sys
from collections.abc import Iterable
from contextlib import suppress
from http import HTTPStatus

from config.settings import Settings
from daemon.core.errors import MachineError
from daemon.core.text import one_line
from daemon.ops.answering import Answer, answer, refusal
from daemon.ops.shown import Shown
from daemon.ops.webrequest import Refused, host_name, parse_request, plain_address
from daemon.report.board import rebuild_board

try:
    import resource
except ImportError:  # Windows
    resource = None  # type: ignore[assignment]

BLOCK = 1 << 18
MOST_HEAD = 1 << 14
MOST_CONNECTIONS = 400
WAITING = 512  # connections that the system holds until we take them
HEAD_S = 15.0  # for a whole request to come
STALL_S = 30.0  # without taking anything of an answer


def serve_ready(settings: Settings, *, host: str, port: int) -> int:
    """The command: serve until Ctrl-C. Raises MachineError when the address cannot be had."""
    folders = settings.folders
    try:
        rebuild_board(settings)
    except MachineError as error:
        print(one_line(f"the board is shown as it is: {error}"), file=sys.stderr)
    server = BoardServer(Shown.of(folders.ready, folders.rejected), host, port, settings.serve.names)
    shown = f"[{host}]" if ":" in host else host
    print(f"the board is at http://{shown}:{server.port}/  (Ctrl-C ends it)", flush=True)
    if not is_loopback(host):
        print("everybody on this network can now see and hear the beats; read-only", file=sys.stderr)
        print(f"other names than {', '.join(sorted(server.names))}: serve.names", file=sys.stderr)
    with suppress(KeyboardInterrupt):
        asyncio.run(server.run())
    return 0


class BoardServer:
    """Bound to its address when it is made; `run` serves until it is cancelled.

    `names`: what a request may call us, besides the address that it came to.
    """

    def __init__(self, shown: Shown, host: str, port: int, names: Iterable[str] = ()) -> None:
        try:
            family = socket.AF_INET6 if ":" in host else socket.AF_INET
            self._socket = socket.create_server((host, port), family=family, backlog=WAITING)
        except (OSError, OverflowError) as error:
            raise MachineError(
                f"{host}:{port}", f"cannot listen there ({error})", "choose another --host or --port"
            ) from error
        self.port: int = self._socket.getsockname()[1]
        self.names = own_names(host, names)
        self._shown, self._most = shown, most_connections()
        self._moved: dict[asyncio.StreamWriter, float] = {}  # when each connection last got on

    async def run(self) -> None:
        server = await asyncio.start_server(self._talk, sock=self._socket, limit=MOST_HEAD, backlog=WAITING)
        async with server:
            await server.serve_forever()

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection, from its first request to its end."""
        if len(self._moved) >= self._most:
            silent = min(self._moved, key=self._moved.__getitem__)
            del self._moved[silent]
            silent.transport.abort()
        self._moved[writer] = asyncio.get_running_loop().time()
        writer.transport.set_write_buffer_limits(0)  # `drain` then waits until the system has all of it
        try:
            while await self._exchange(reader, writer):
                self._move(writer)
            writer.close()
        except (OSError, TimeoutError, asyncio.IncompleteReadError):
            writer.transport.abort()  # phones hang up as they like
        except Exception as error:
            writer.transport.abort()
            print(one_line(f"a request failed: {error!r}"), file=sys.stderr)
        finally:
            self._moved.pop(writer, None)

    def _move(self, writer: asyncio.StreamWriter) -> None:
        if writer in self._moved:
            self._moved[writer] = asyncio.get_running_loop().time()

    async def _exchange(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        """One request and its answer. False: the connection is to be closed."""
        try:
            async with asyncio.timeout(HEAD_S):
                head = await reader.readuntil(b"\r\n\r\n")
            request = parse_request(head)
        except asyncio.LimitOverrunError:
            await self._send(writer, refusal(HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE), False)
            return False
        except Refused as refused:
            await self._send(writer, refusal(refused.status), False)
            return False
        here = plain_address(writer.get_extra_info("sockname")[0].partition("%")[0])
        names = {*self.names, here, *(["localhost"] if is_loopback(here) else [])}
        found = await asyncio.to_thread(answer, request, self._shown, names)
        keep = request.keep and found.status is not HTTPStatus.BAD_REQUEST
        return await self._send(writer, found, keep, body=request.method != "HEAD")

    async def _send(self, writer: asyncio.StreamWriter, found: Answer, keep: bool, body: bool = True) -> bool:
        """True when all of it was sent and the connection may be used again."""
        try:
            writer.write(found.head(keep) + (found.text if body else b""))
            left = found.length if body and found.file else 0
            while left > 0 and found.file:
                block = await asyncio.to_thread(found.file.read, min(BLOCK, left))
                if not block:
                    return False  # it became shorter under our hands
                left -= len(block)
                writer.write(block)
                await self._drained(writer)
            await self._drained(writer)
        finally:
            if found.file:
                found.file.close()
        return keep

    async def _drained(self, writer: asyncio.StreamWriter) -> None:
        async with asyncio.timeout(STALL_S):
            await writer.drain()
        self._move(writer)


def own_names(host: str, names: Iterable[str]) -> frozenset[str]:
    """The names that are configured: in the settings, as the machine's own, and as --host."""
    machine = socket.gethostname().lower()
    given = [host_name(f"[{name}]" if ":" in name else name) for name in (*names, host, machine)]
    return frozenset(name for name in (*given, f"{machine}.local") if name and name not in ("0.0.0.0", "::"))


def most_connections() -> int:
    """As many as we want, or a third of the open files that the system allows (each may hold a file, too)."""
    if resource is None:
        return MOST_CONNECTIONS
    allowed = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    return MOST_CONNECTIONS if allowed == resource.RLIM_INFINITY else min(MOST_CONNECTIONS, allowed // 3)


def is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
