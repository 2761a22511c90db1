"""A desk behind a real server on a port of this machine."""

from __future__ import annotations

import http.client
import json
import socket
import threading

import uvicorn

from sim_plant.desk.events import listen
from sim_plant.desk.guard import Guard
from sim_plant.desk.server import Desk
from sim_plant.desk.source import Source

DEADLINE_S = 20.0


class Served:
    """A desk on a port of this machine."""

    def __init__(self, source: Source) -> None:
        self.listening = listen("127.0.0.1", 0)
        self.guard = Guard("127.0.0.1", self.listening.getsockname()[1])
        self.desk = Desk(source, self.guard, lambda: self.server.should_exit)
        config = uvicorn.Config(
            self.desk.app(), log_level="critical", lifespan="off", timeout_graceful_shutdown=1
        )
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [self.listening]})
        self.thread.start()

    def headers(self) -> dict[str, str]:
        return {"Cookie": f"{self.guard.cookie}={self.guard.key}", "Host": f"127.0.0.1:{self.guard.port}"}

    def stalled(self) -> socket.socket:
        """A viewer that asks for pictures and never reads."""
        viewer = socket.socket()
        viewer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        viewer.connect(("127.0.0.1", self.guard.port))
        lines = [f"{name}: {value}" for name, value in self.headers().items()]
        viewer.sendall("\r\n".join(["GET /events HTTP/1.1", *lines, "", ""]).encode())
        return viewer

    def picture(self) -> bytes:
        """The next picture that a viewer gets who reads."""
        line = http.client.HTTPConnection("127.0.0.1", self.guard.port, timeout=DEADLINE_S)
        line.request("GET", "/events", headers=self.headers())
        answer = line.getresponse()
        while not (got := answer.readline()).startswith(b"data: "):
            assert got
        line.close()
        return got.removeprefix(b"data: ").strip()

    def time_ms(self) -> int:
        """Plant time of that picture."""
        return int(json.loads(self.picture())["t_ms"])

    def stop(self) -> None:
        self.server.should_exit = True
        self.thread.join(DEADLINE_S)
        assert not self.thread.is_alive()
