"""The server of the page: one book or none, one thread that works on it, nobody from elsewhere.

It answers only what came to an address of its own (Host) from a page of its own (Origin), takes
bodies of a bounded size within a bounded time, and on a local network asks for the key of a paired
device.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager
from functools import partial
from typing import TYPE_CHECKING, Any

from loopodds import LoopoddsError, entries_of
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from loopodds_cli.bay.desk import LARGEST_PHOTO, Desk
from loopodds_cli.bay.pairing import Pairing

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

HERE = "127.0.0.1"
LARGEST_ENTRIES, LARGEST_WORD = 400_000, 200
"""Bytes of a body."""
BODY_S = 30.0
"""Seconds in which a body has to be there."""
KEY = "x-bay-key"
HEADERS = {
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
}


class Door:
    """An application that answers only at addresses of its own, and only pages of its own.

    Args:
        routes: What it answers.
        hosts: Addresses with port under which it may be asked.
        more: For Starlette.
    """

    def __init__(self, routes: list[Route], hosts: set[str], **more: Any) -> None:
        self._hosts = hosts
        handlers: dict[Any, Any] = {LoopoddsError: _problem, HTTPException: _refused}
        self.app: ASGIApp = Starlette(routes=routes, exception_handlers=handlers, **more)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Every request is looked at before anything else happens; headers go with each answer."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        problem = self._unwelcome(Request(scope))
        app = PlainTextResponse(problem, 403) if problem else self.app

        async def sent(message: Any) -> None:
            if message["type"] == "http.response.start":
                fixed = [(k.lower().encode(), v.encode()) for k, v in HEADERS.items()]
                message = {**message, "headers": [*message.get("headers", []), *fixed]}
            await send(message)

        await app(scope, receive, sent)

    def _unwelcome(self, request: Request) -> str:
        """Why a request is not answered; empty where it is."""
        host, origin = request.headers.get("host", ""), request.headers.get("origin")
        if host not in self._hosts:
            return "open the page under the address that was printed"
        if origin is None and request.method != "GET":
            return "only the page itself may ask"
        if origin is not None and origin != f"http://{host}":
            return "only the page itself may ask"
        return ""


def only_page(text: str, hosts: set[str]) -> Door:
    """An application that has one page and nothing behind it."""

    async def page(_: Request) -> Response:
        return HTMLResponse(text)

    return Door([Route("/", page)], hosts)


class Bay(Door):
    """The application of the page at the car, with the case book behind it.

    Args:
        desk: Makes the desk, in the thread that will work at it.
        page: Text of the page.
        hosts: Addresses with port under which it may be asked.
        pairing: Of a local network; None where only this computer can ask.
    """

    def __init__(
        self, desk: Callable[[], Desk], page: str, hosts: set[str], pairing: Pairing | None = None
    ) -> None:
        self._make, self._page, self._pairing = desk, page, pairing
        self._thread = ThreadPoolExecutor(1, "bay")
        self._desk: Desk | None = None
        routes = [
            Route("/", self.page),
            Route("/pair", self.pair, methods=["POST"]),
            Route("/cases", self.cases),
            Route("/entries", self.entries, methods=["POST"]),
            Route("/case/{case}", self.case),
            Route("/case/{case}/advice", self.advice),
            Route("/case/{case}/offers", self.offers),
            Route("/case/{case}/photos/{about}", self.keep_photo, methods=["POST"]),
            Route("/case/{case}/photos/{name}", self.photo),
            Route("/case/{case}/photos/{name}/reading", self.reading),
            Route("/case/{case}/photos/{name}/reading", self.accept, methods=["POST"]),
        ]
        super().__init__(routes, hosts, lifespan=self._life)

    @asynccontextmanager
    async def _life(self, _: Starlette) -> AsyncIterator[None]:
        self._desk = await asyncio.get_running_loop().run_in_executor(self._thread, self._make)
        yield
        await self._at_desk(Desk.close)
        self._thread.shutdown()

    def _unwelcome(self, request: Request) -> str:
        """As for any page; on a local network the device must be known too."""
        open_to_all = request.url.path in ("/", "/pair")
        problem = super()._unwelcome(request)
        if not problem and self._pairing and not open_to_all and not self._knows(request):
            return "this device is not paired"
        return problem

    def _knows(self, request: Request) -> bool:
        return self._pairing is not None and self._pairing.knows(request.headers.get(KEY, ""))

    async def _at_desk(self, work: Callable[[Desk], Any]) -> Any:
        assert self._desk is not None
        return await asyncio.get_running_loop().run_in_executor(
            self._thread, partial(work, self._desk)
        )

    async def page(self, _: Request) -> Response:
        """The page."""
        return HTMLResponse(self._page)

    async def pair(self, request: Request) -> Response:
        """A key for a device that knows the word."""
        word = (await _body(request, LARGEST_WORD)).decode("utf-8", "replace").strip().lower()
        key = self._pairing.key_for(word) if self._pairing else ""
        if key is None:
            raise HTTPException(403, "not the word that is shown there; ask for the one now")
        return JSONResponse({"key": key})

    async def cases(self, _: Request) -> Response:
        """The newest cases."""
        return JSONResponse(await self._at_desk(Desk.cases))

    async def entries(self, request: Request) -> Response:
        """Entries of a device; each is taken once, however often it is sent."""
        body = await _body(request, LARGEST_ENTRIES, "application/json")
        return JSONResponse(await self._at_desk(lambda desk: desk.take(entries_of(body))))

    async def case(self, request: Request) -> Response:
        """One case as it stands in the book."""
        return JSONResponse(await self._of_case(request, Desk.case))

    async def advice(self, request: Request) -> Response:
        """What to test next on a car, worked out now or when its case last changed."""
        return JSONResponse(await self._of_case(request, Desk.advice))

    async def offers(self, request: Request) -> Response:
        """What may be done to a car, likewise."""
        return JSONResponse(await self._of_case(request, Desk.offers))

    async def keep_photo(self, request: Request) -> Response:
        """Keep a picture with a case."""
        content, about = await _body(request, LARGEST_PHOTO), request.path_params["about"]
        name = await self._of_case(request, lambda d, n: d.keep_photo(n, about, content))
        return JSONResponse({"name": name})

    async def photo(self, request: Request) -> Response:
        """A picture of a case."""
        name = request.path_params["name"]
        content = await self._of_case(request, lambda desk, number: desk.photo(number, name))
        kind = "image/png" if name.endswith(".png") else "image/jpeg"
        return Response(content, media_type=kind)

    async def reading(self, request: Request) -> Response:
        """What a photo says of the sample."""
        name, path = request.path_params["name"], request.query_params.get("path", "")
        return JSONResponse(await self._of_case(request, lambda d, n: d.reading(n, name, path)))

    async def accept(self, request: Request) -> Response:
        """Enter what a photo says in its case."""
        name = request.path_params["name"]
        path = (await _body(request, LARGEST_WORD)).decode(errors="replace")
        return JSONResponse(await self._of_case(request, lambda d, n: d.accept(n, name, path)))

    async def _of_case(self, request: Request, work: Callable[[Desk, int], Any]) -> Any:
        case = request.path_params["case"]
        return await self._at_desk(lambda desk: work(desk, desk.number(case)))


async def _body(request: Request, most: int, kind: str = "") -> bytes:
    """The body of a request, of a bounded size and within a bounded time."""
    if kind and request.headers.get("content-type") != kind:
        raise HTTPException(415, f"send {kind}")
    content = bytearray()
    try:
        async with asyncio.timeout(BODY_S):
            async for part in request.stream():
                content += part
                if len(content) > most:
                    raise HTTPException(413, f"more than {most} bytes")
    except TimeoutError as error:
        raise HTTPException(408, "too slow") from error
    return bytes(content)


async def _problem(_: Request, error: Exception) -> Response:
    return JSONResponse({"problem": str(error)}, 400)


async def _refused(_: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return JSONResponse({"problem": error.detail}, error.status_code)


def address_on_network() -> str:
    """Address of this computer on its local network; nothing is sent to find it.

    Raises:
        LoopoddsError: if it has none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737)
            return str(probe.getsockname()[0])
        except OSError as error:
            raise LoopoddsError("this computer is on no network; leave --lan out") from error


def listening(host: str, port: int) -> socket.socket:
    """A socket that listens there; port 0 takes any free one.

    Raises:
        LoopoddsError: if the port is taken or not allowed, with its number.
    """
    try:
        return socket.create_server((host, port), backlog=64)
    except OSError as error:
        reason = error.strerror or str(error)
        problem = f"port {port}: {reason}; choose another with --port"
        raise LoopoddsError(problem) from error


def serve(app: Callable[..., Awaitable[None]], at: socket.socket) -> None:
    """Serve until interrupted."""
    import uvicorn

    config = uvicorn.Config(
        app, log_level="warning", access_log=False, limit_concurrency=64,
        timeout_keep_alive=10, server_header=False, lifespan="on", ws="none",
    )  # fmt: skip
    try:
        uvicorn.Server(config).run([at])
    except KeyboardInterrupt:
        return
