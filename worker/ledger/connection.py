"""Connections to PostgreSQL over a network: they fail within seconds where one side is cut off, and cost little.

The parent process of a worker makes one for each look into the ledger, since it forks.
"""

from __future__ import annotations

import socket
import ssl
import struct
from functools import cache
from typing import Any

import sqlalchemy as sql

CONNECT_SECONDS = 3.0
SILENT_SECONDS = 8
"""A transaction whose client has said nothing for so long is undone by PostgreSQL, and gives its locks back; a client
whose server takes in nothing for so long gives up. Otherwise a host that is cut off in the middle of a claim would keep
the row that every claim needs for as long as both kernels believe in the connection: hours, by default.
"""

SESSION = {"idle_in_transaction_session_timeout": f"{SILENT_SECONDS}s"}
"""What each session asks of the server at its start."""

TLS_REQUEST = struct.pack("!ii", 8, 80877103)
"""SSLRequest of PostgreSQL's protocol (its manual, "Message Formats")."""


def connect_impatiently(engine: sql.Engine) -> None:
    """Let this engine make its connections over a network in this way. Those of a Unix socket are made as ever."""

    def connect(dialect: Any, record: Any, arguments: Any, wanted: dict[str, Any]) -> Any:
        if dialect.driver != "pg8000" or "unix_sock" in wanted or "ssl_context" in wanted:
            return None
        sock = _secured(_socket(wanted.get("host", "localhost"), wanted.get("port", 5432)))
        return dialect.dbapi.Connection(**wanted, sock=sock, ssl_context=False)

    sql.event.listen(engine, "do_connect", connect)


def _socket(host: str, port: int) -> socket.socket:
    connected = socket.create_connection((host, port), CONNECT_SECONDS)
    connected.settimeout(None)
    connected.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    quarter = SILENT_SECONDS // 4
    wanted = {"TCP_KEEPIDLE": quarter, "TCP_KEEPINTVL": quarter, "TCP_KEEPCNT": 3}
    wanted["TCP_USER_TIMEOUT"] = SILENT_SECONDS * 1000
    for name, value in wanted.items():
        if hasattr(socket, name):  # each system knows some of them
            connected.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)
    return connected


def _secured(plain: socket.socket) -> socket.socket:
    """The same connection by TLS where the server has it.

    pg8000 would do as much, with a context of its own for each connection, and load every root certificate for it,
    which it does not use: some 50 ms of processor time.
    """
    plain.sendall(TLS_REQUEST)
    return _tls().wrap_socket(plain) if plain.recv(1) == b"S" else plain


@cache
def _tls() -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context
