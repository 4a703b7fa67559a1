"""What both local pages stand on: one address, one secret, one clean end.

The server listens on 127.0.0.1 only. Every address starts with a random token, the Host header must
name this server (a foreign name that resolves to 127.0.0.1 is turned away), a request that changes
something must come from the page itself, and the page may load nothing from elsewhere.
"""

from __future__ import annotations

import asyncio
import json
import secrets
import socket
from collections.abc import AsyncIterator, Callable, Sequence
from importlib import resources
from typing import TYPE_CHECKING, Any

from rig.errors import UsageError

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import Route
    from starlette.types import ASGIApp, Receive, Scope, Send

HOST = "127.0.0.1"
#: A quiet event stream says something after this long, so that a dead connection is noticed.
HEARTBEAT_S = 10.0
_KINDS = {"html": "text/html", "css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
_HEADERS = (
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
        b"media-src blob:; connect-src 'self'; base-uri 'none'; form-action 'none'; "
        b"frame-ancestors 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)


class Doorkeeper:
    """Middleware: turns away what does not come from the page under its own address.

    Args:
        app: What is guarded.
        token: First part of every path.
        hosts: The values of the Host header that are let in.
    """

    def __init__(self, app: ASGIApp, *, token: str, hosts: frozenset[str]) -> None:
        self.app = app
        self.token = token
        self.hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # no web sockets here
            await send({"type": "websocket.close", "code": 1008})
            return
        refusal = self._refusal(scope)
        if refusal:
            await _plain(send, 403, refusal)
            return

        async def send_with_headers(message: Any) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", ()), *_HEADERS]
            await send(message)

        await self.app(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope) -> str:
        headers = {name.lower(): value.decode("latin-1") for name, value in scope["headers"]}
        if headers.get(b"host", "") not in self.hosts:
            return "this server answers only under its own local address"
        first = scope["path"].lstrip("/").partition("/")[0]
        if not secrets.compare_digest(first.encode(), self.token.encode()):
            return "the address lacks its key: open the one that the terminal shows"
        if scope["method"] not in ("GET", "HEAD"):
            origin = headers.get(b"origin")
            if origin is not None and origin.removeprefix("http://") not in self.hosts:
                return "changes are taken from the page itself only"
            if not headers.get(b"content-type", "").startswith("application/json"):
                return "changes are sent as application/json"
        return ""


async def _plain(send: Send, status: int, text: str) -> None:
    body = text.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), *_HEADERS]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def static_file(name: str) -> tuple[bytes, str]:
    """Contents and media type of a file of the page.

    Raises:
        KeyError: There is no such file.
    """
    kind = _KINDS.get(name.rpartition(".")[2])
    if kind is None or "/" in name or "\\" in name:
        raise KeyError(name)
    if name == "palette.css":
        return palette().encode(), kind
    try:
        return (resources.files("rig.page") / "static" / name).read_bytes(), kind
    except OSError:
        raise KeyError(name) from None


def palette() -> str:
    """The colours of the reports as CSS, for light and dark."""
    from rig.report.look import css_variables

    return (
        f":root {{ {css_variables(dark=False)} }}\n"
        f"@media (prefers-color-scheme: dark) {{ :root {{ {css_variables(dark=True)} }} }}\n"
    )


def build_app(
    routes: Sequence[Route], *, token: str, port: int, page: str, on_end: Callable[[], None]
) -> Starlette:
    """The application behind the door.

    Args:
        routes: Of the page, with paths below the token.
        token: The key in the address.
        port: That the server listens on.
        page: Name of the static file shown at the address itself.
        on_end: Called when the server ends.
    """
    from contextlib import asynccontextmanager

    from starlette.applications import Starlette
    from starlette.middleware import Middleware
    from starlette.responses import Response
    from starlette.routing import Mount, Route

    def serve_static(request: Request) -> Response:
        name = request.path_params.get("name") or page
        try:
            content, kind = static_file(name)
        except KeyError:
            return Response("no such file", 404, media_type="text/plain")
        return Response(content, media_type=kind)

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        yield
        on_end()

    files = [Route("/", serve_static), Route("/{name}", serve_static)]
    hosts = frozenset({f"{HOST}:{port}", f"localhost:{port}"})
    return Starlette(
        routes=[Mount(f"/{token}", routes=[*routes, *files])],
        middleware=[Middleware(Doorkeeper, token=token, hosts=hosts)],
        lifespan=lifespan,
    )


def event_stream(
    look: Callable[[], Sequence[tuple[str, Any]]],
    *,
    ended: Callable[[], bool],
    every_s: float = 0.3,
) -> Response:
    """A response of server-sent events.

    Args:
        look: Called about every ``every_s`` seconds, in a worker thread; returns what is new as
            (event name, JSON content).
        ended: Whether the server is closing down.
        every_s: Seconds between two looks.
    """
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import StreamingResponse

    async def stream() -> AsyncIterator[str]:
        yield "retry: 1500\n\n"
        quiet_s = 0.0
        while not ended():
            news = await run_in_threadpool(look)
            for name, content in news:
                yield f"event: {name}\ndata: {json.dumps(content, allow_nan=False)}\n\n"
            quiet_s = 0.0 if news else quiet_s + every_s
            if quiet_s >= HEARTBEAT_S:
                yield ": still here\n\n"
                quiet_s = 0.0
            await asyncio.sleep(every_s)

    return StreamingResponse(stream(), media_type="text/event-stream")


def open_socket(port: int) -> socket.socket:
    """A listening socket on 127.0.0.1; port 0 means any free one.

    Raises:
        UsageError: The port is taken or not allowed.
    """
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((HOST, port))
    except (OSError, OverflowError) as error:
        listener.close()
        raise UsageError(
            f"port {port} cannot be used ({getattr(error, 'strerror', None) or error}); "
            "give another with --port, or leave it out for any free one"
        ) from error
    return listener


def serve(
    make_app: Callable[[str, int, Callable[[], bool]], Starlette],
    *,
    port: int,
    browser: bool,
    announce: Callable[[str], None],
) -> None:
    """Serve until Ctrl-C or SIGTERM; returns after Ctrl-C.

    Args:
        make_app: Makes the application from token, port and a function that tells whether the
            server is closing down.
        port: To listen on; 0 for any free one.
        browser: Whether to open the page in the person's browser.
        announce: Gets the address once the server listens.

    Raises:
        UsageError: The port cannot be used.
    """
    import uvicorn

    listener = open_socket(port)
    number = int(listener.getsockname()[1])
    token = secrets.token_urlsafe(18)
    address = f"http://{HOST}:{number}/{token}/"

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            if self.started:
                announce(address)
                if browser:
                    _open_browser(address)

    server: Server
    app = make_app(token, number, lambda: server.should_exit)
    config = uvicorn.Config(
        app, log_config=None, access_log=False, timeout_graceful_shutdown=2, lifespan="on",
        server_header=False,
    )  # fmt: skip
    server = Server(config)
    try:
        server.run(sockets=[listener])
    except KeyboardInterrupt:
        pass
    finally:
        listener.close()


def _open_browser(address: str) -> None:
    """Open the page where there is a desktop to open it on; a text browser is never started."""
    import os
    import sys
    import threading
    import webbrowser

    desktop = sys.platform in ("darwin", "win32") or any(
        os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY")
    )
    if desktop:
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
