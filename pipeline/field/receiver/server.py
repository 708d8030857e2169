"""The receiver as a program: sockets, connections that must come on, and an import every so often, beside it."""

from __future__ import annotations

import asyncio
import logging
import socket
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import h11
import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_SECONDS, REST_SECONDS = 15.0, 30.0
"""So long a connection may take to say what it wants, and to send the rest of what has been answered already."""
UNREAD_SECONDS, UNREAD_BYTES = 60.0, 1000
"""So long, and a second more for so many bytes, an answer may lie here that the other side does not read."""
MOST_CONNECTIONS, MOST_OF_ADDRESS = 400, 120


class Patient(H11Protocol):
    """A connection that is closed where a request does not come on, and where there are too many of them."""

    _until: asyncio.TimerHandle | None = None
    _read_by: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        of_address = Counter(it.client[0] for it in self.connections if isinstance(it, H11Protocol) and it.client)
        if len(self.connections) > MOST_CONNECTIONS or (self.client and of_address[self.client[0]] > MOST_OF_ADDRESS):
            transport.abort()
            return
        self._wait(HEAD_SECONDS)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._look()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._look()
        self._stop_minding()
        if left := self.transport.get_write_buffer_size():
            self._read_by = self.loop.call_later(UNREAD_SECONDS + left / UNREAD_BYTES, self._end_unread)

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_waiting()
        self._stop_minding()
        super().connection_lost(exc)

    def _end_unread(self) -> None:
        """Close where an answer is still not read; closing as such would wait for that."""
        if self.transport.get_write_buffer_size():
            self.transport.abort()

    def _stop_minding(self) -> None:
        if self._read_by is not None:
            self._read_by.cancel()
            self._read_by = None

    def _look(self) -> None:
        """Wait for the rest of a head, or of a body that was answered before its end; for nothing while a request is at work,
        or none has begun."""
        if self.cycle is not None and not self.cycle.response_complete:
            self._stop_waiting()
        elif self.conn.their_state is h11.SEND_BODY:
            self._wait(REST_SECONDS)
        elif self.conn.their_state is h11.IDLE and (self.cycle is None or self.conn.trailing_data[0]):
            self._wait(HEAD_SECONDS)
        else:
            self._stop_waiting()

    def _wait(self, seconds: float) -> None:
        if self._until is None and not self.transport.is_closing():
            self._until = self.loop.call_later(seconds, self.transport.abort)

    def _stop_waiting(self) -> None:
        if self._until is not None:
            self._until.cancel()
            self._until = None


def bound(address: str, port: int) -> socket.socket:
    """A socket that listens. Raises OSError."""
    found = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    family, kind, protocol, _, where = found[0]
    listening = socket.socket(family, kind, protocol)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(where)
        listening.listen(256)
    except OSError:
        listening.close()
        raise
    return listening


def _allow_files() -> None:
    """As many open files as there may be connections, and as many that only begin; some systems give 256 unasked."""
    if sys.platform != "win32":
        import resource

        now, most = resource.getrlimit(resource.RLIMIT_NOFILE)
        wanted = 4 * MOST_CONNECTIONS if most == resource.RLIM_INFINITY else min(4 * MOST_CONNECTIONS, most)
        if 0 <= now < wanted:
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, most))


def _is_told(record: logging.LogRecord) -> bool:
    """Not that there are too many connections to take another: it is said many times a second."""
    return "out of system resource" not in record.getMessage()


def server(app: ASGIApp, certificate: Path | None = None, key: Path | None = None) -> uvicorn.Server:
    """A server for the application, which says nothing of itself."""
    _allow_files()
    logging.getLogger("asyncio").addFilter(_is_told)
    logging.getLogger("python_multipart").setLevel(logging.CRITICAL)  # it would warn the clerk of each broken message
    given: dict[str, Any] = {"ssl_certfile": certificate, "ssl_keyfile": key} if certificate else {}
    config = uvicorn.Config(
        app,
        http=Patient,
        ws="none",
        lifespan="off",
        log_config=None,
        log_level="critical",
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        timeout_keep_alive=20,
        timeout_graceful_shutdown=20,
        **given,
    )
    return uvicorn.Server(config)
