"""TCP ports for tests that need one before anybody listens."""

from __future__ import annotations

import socket


def free_port() -> int:
    """A TCP port of this machine that nobody has now."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])
