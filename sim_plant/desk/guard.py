"""Who may see and who may wish: key, Host, Origin, size, and the headers of every answer.

A web page from elsewhere can make a browser on this machine send requests here. It cannot read the key, its
Origin is its own, and a name that it points at this machine is no Host that we know.
"""

from __future__ import annotations

import ipaddress
import secrets
from dataclasses import dataclass, field

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

BODY_MAX = 64 * 1024
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' blob: data:; connect-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class TurnedAwayError(Exception):
    """A request that is not answered as it wishes; status and a sentence."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status


@dataclass(frozen=True)
class Guard:
    """The rules of one server. ``host`` is the address that it listens on."""

    host: str
    port: int
    key: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    @property
    def cookie(self) -> str:
        """Browsers keep cookies by host, not by port: two desks on one machine must not share one."""
        return f"desk_{self.port}"

    @property
    def address(self) -> str:
        """Where a browser finds the page."""
        host = "127.0.0.1" if _is_any(self.host) else self.host
        return f"http://{f'[{host}]' if ':' in host else host}:{self.port}"

    def check_host(self, request: Request) -> None:
        """The Host must be one under which we are known."""
        given = request.headers.get("host", "")
        name, port = _split(given)
        known = name in (self.host, "localhost", "127.0.0.1", "::1") or (_is_any(self.host) and _is_ip(name))
        if not known or port != str(self.port):
            raise TurnedAwayError(421, "this desk is not known under that name")

    def check_key(self, request: Request) -> None:
        """The cookie must hold the key."""
        given = request.cookies.get(self.cookie, "")
        if not secrets.compare_digest(given.encode(), self.key.encode()):
            raise TurnedAwayError(403, "open the address that the command has printed: it holds the key")

    def check_origin(self, request: Request) -> None:
        """A wish comes from our own page."""
        if request.headers.get("origin", "") != f"http://{request.headers.get('host', '')}":
            raise TurnedAwayError(403, "a wish must come from the desk's own page")

    def fits(self, key: str) -> bool:
        """Whether that is the key."""
        return secrets.compare_digest(key.encode(), self.key.encode())


async def read_body(request: Request) -> bytes:
    """The body, if it is not too long; what is too long is not kept."""
    said = request.headers.get("content-length", "")
    if said.isascii() and said.isdigit() and int(said) > BODY_MAX:
        raise TurnedAwayError(413, f"too long: at most {BODY_MAX} bytes")
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > BODY_MAX:
            raise TurnedAwayError(413, f"too long: at most {BODY_MAX} bytes")
    return body


class Guarded:
    """Around every answer: the Host is checked first, and the headers are added.

    They keep a browser from doing more with an answer than it should.
    """

    def __init__(self, app: ASGIApp, guard: Guard) -> None:
        self._app, self._guard = app, guard

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        request = Request(scope)
        try:
            self._guard.check_host(request)
        except TurnedAwayError as error:
            await (await turned_away(request, error))(scope, receive, send_with_headers)
            return
        await self._app(scope, receive, send_with_headers)


async def turned_away(_request: Request, error: Exception) -> Response:
    """The sentence of a TurnedAwayError, with its status."""
    assert isinstance(error, TurnedAwayError)
    return JSONResponse({"error": str(error)}, error.status)


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches it."""
    return host == "localhost" or (_is_ip(host) and ipaddress.ip_address(host).is_loopback)


def _split(host: str) -> tuple[str, str]:
    name, _, port = host.rpartition(":")
    return name.strip("[]").lower(), port


def _is_ip(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _is_any(host: str) -> bool:
    return _is_ip(host) and ipaddress.ip_address(host).is_unspecified
