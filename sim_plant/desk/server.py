"""The pages and answers of the desk. It sees a ``Source`` and nothing behind it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from importlib import resources

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from controller.files import InputError
from sim_plant.desk.events import PictureStream, Viewers
from sim_plant.desk.guard import HEADERS, Guard, Guarded, TurnedAwayError, read_body, turned_away
from sim_plant.desk.source import Source
from sim_plant.desk.wishes import Back, Deed, Order, RefusedError, Save, read_wish

ANSWER_S, BACK_S = 10.0, 300.0
HOUR_MS = 3_600_000
_TYPES = {"html": "text/html", "css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
_INDEX = "index.html"


def read_files() -> dict[str, tuple[bytes, str]]:
    """Every file of the page by its name, with its type: what a request names never reaches the disk."""
    found = {}
    page = resources.files("sim_plant.desk") / "page"
    for folder in (page, page / "vendor"):
        for file in folder.iterdir():
            ending = file.name.rpartition(".")[2]
            if file.is_file() and ending in _TYPES:
                found[file.name] = (file.read_bytes(), _TYPES[ending])
    return found


class Desk:
    """The answers to a browser."""

    def __init__(self, source: Source, guard: Guard, over: Callable[[], bool] = lambda: False) -> None:
        self._source, self._guard, self._over = source, guard, over
        self._files = read_files()
        self.viewers = Viewers()

    def app(self) -> Starlette:
        """As a server runs it."""
        return Starlette(
            routes=[
                Route("/", self.page),
                Route("/enter", self.enter),
                Route("/favicon.ico", self.mark),
                Route("/static/{name}", self.static),
                Route("/about", self.about),
                Route("/events", self.events),
                Route("/picture", self.picture),
                Route("/history", self.history),
                Route("/wish", self.wish, methods=["POST"]),
            ],
            middleware=[Middleware(Guarded, guard=self._guard)],
            exception_handlers={
                TurnedAwayError: turned_away,
                HTTPException: _not_found,
                InputError: _refused,
                RefusedError: _refused,
                Exception: _failed,
            },
        )

    async def enter(self, request: Request) -> Response:
        """The address that was printed: its key becomes a cookie, and the page follows."""
        key = request.query_params.get("key", "")
        if not self._guard.fits(key):
            raise TurnedAwayError(403, "this key is of another start; look at what the command printed")
        # by a page of our own, not by a redirect: a strict cookie is not sent along one that began elsewhere
        page = "/?still" if "still" in request.query_params else "/"
        response = HTMLResponse(
            f'<!doctype html><html lang="en"><meta http-equiv="refresh" content="0;url={page}">'
            f'<title>skidproof</title><p><a href="{page}">To the desk</a></p></html>'
        )
        response.set_cookie(self._guard.cookie, key, httponly=True, samesite="strict", path="/")
        return response

    async def page(self, request: Request) -> Response:
        """The page itself."""
        self._guard.check_key(request)
        body, media_type = self._files[_INDEX]
        return Response(body, media_type=media_type)

    async def mark(self, _request: Request) -> Response:
        """What browsers ask for unbidden."""
        body, media_type = self._files["mark.svg"]
        return Response(body, media_type=media_type)

    async def static(self, request: Request) -> Response:
        """One of the page's own files."""
        found = self._files.get(request.path_params["name"])
        if found is None:
            raise TurnedAwayError(404, "there is no such page")
        return Response(found[0], media_type=found[1])

    async def about(self, request: Request) -> Response:
        """What does not change."""
        self._guard.check_key(request)
        return JSONResponse({**self._source.about(), "takes_wishes": self._source.takes_wishes})

    async def events(self, request: Request) -> Response:
        """Pictures, one after another."""
        self._guard.check_key(request)
        if self.viewers.full:
            raise TurnedAwayError(503, "as many pages as can be served look on already; close one")
        return PictureStream(self._source.latest, self.viewers, self._over)

    async def picture(self, request: Request) -> Response:
        """The latest picture alone."""
        self._guard.check_key(request)
        return Response(self._source.latest.get()[1], media_type="application/json")

    async def history(self, request: Request) -> Response:
        """Rows for trends: ?unit=1&from_s=0&to_s=600&points=1000."""
        self._guard.check_key(request)
        units = self._source.about()["units"]
        unit = round(_number(request, "unit", 1, 1, units))
        from_s = _number(request, "from_s", 0, 0, 1e9)
        to_s = _number(request, "to_s", 1e9, 0, 1e9)
        points = round(_number(request, "points", 1000, 2, 4000))
        read = self._source.history
        rows = await asyncio.to_thread(read, unit, round(from_s * 1000), round(to_s * 1000), points)
        return JSONResponse(rows)

    async def wish(self, request: Request) -> Response:
        """A person's wish, answered when it has been carried out or refused."""
        self._guard.check_origin(request)
        self._guard.check_key(request)
        if request.headers.get("content-type", "").partition(";")[0] != "application/json":
            raise TurnedAwayError(415, "a wish is sent as application/json")
        wish = read_wish(await read_body(request))
        if not self._source.takes_wishes and isinstance(wish, Order | Deed | Save):
            raise RefusedError("what is shown here is read only and takes no wishes of this kind")
        within_s = BACK_S if isinstance(wish, Back) else ANSWER_S
        try:
            async with asyncio.timeout(within_s):
                answer = await asyncio.wrap_future(self._source.ask(wish))
        except TimeoutError:
            raise TurnedAwayError(504, f"no answer within {within_s:g} s") from None
        return JSONResponse(answer)


def _number(request: Request, name: str, default: float, lo: float, hi: float) -> float:
    text = request.query_params.get(name, str(default))
    try:
        value = float(text)
    except ValueError:
        raise InputError(f"{name} must be a number") from None
    if not lo <= value <= hi:
        raise InputError(f"{name} = {value:g} must lie in {lo:g} to {hi:g}")
    return value


async def _not_found(_request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {404: "there is no such page", 405: "this cannot be done here"}
    return JSONResponse({"error": words.get(error.status_code, "this was not understood")}, error.status_code)


async def _refused(_request: Request, error: Exception) -> Response:
    return JSONResponse({"error": str(error)}, 422)


async def _failed(_request: Request, _error: Exception) -> Response:
    return JSONResponse({"error": "this failed; the program's own output says more"}, 500, HEADERS)
