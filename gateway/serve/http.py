"""Metrics and health over HTTP: `/metrics` and `/healthz`, to be read only.

Refuses every other page (404) and method (405), and to tell a person what to do about a rotor.
"""

import asyncio
import contextlib
import logging
import socket
from collections.abc import Iterator
from typing import Final

import structlog
import uvicorn
from prometheus_client.exposition import choose_encoder
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from gateway.serve.metrics import feed_registry
from gateway.serve.outlet import Feed, TakeOrder, cannot_listen
from gateway.site.installed import Site
from gateway.site.model import HttpOutput

log = structlog.get_logger("gateway.serve")

# Common practice, no source: a few collectors and probes.
_MOST_CONNECTIONS: Final = 64
_ASKS_WITHIN_S: Final = 10
_STOP_WITHIN_S: Final = 3
_HEADERS: Final = (
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cache-control", b"no-store"),
)


class SecurityHeaders:
    """Adds the same headers to every answer, errors too."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message["headers"], *_HEADERS]
            await send(message)

        await self._app(scope, receive, send_with_headers)


class _BoundedConnection(H11Protocol):
    """One connection of a bounded number, cut off when it does not ask in time.

    The library bounds and times only those that have asked: others could take every file that
    the process may open, and with them the places of all other outlets.
    """

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        if len(self.connections) >= _MOST_CONNECTIONS:
            transport.abort()
            return
        super().connection_made(transport)
        self.timeout_keep_alive_task = self.loop.call_later(
            self.timeout_keep_alive, self.timeout_keep_alive_handler
        )

    def connection_lost(self, exc: Exception | None) -> None:
        if self in self.connections:  # else it was refused
            self._unset_keepalive_if_required()
            super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        # Unlike the library's own, this lets the time run on until the request is whole.
        self.conn.receive_data(data)
        self.handle_events()


class _Embedded(uvicorn.Server):
    """The server as a guest: the signals of the process stay with the process."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def health_faults(site: Site, feed: Feed) -> list[str]:
    """Why the gateway is not healthy, in words; empty when Frames of all machines arrive."""
    faults = []
    for machine in site.file.machines:
        if feed.frame(machine.name) is None:
            faults.append(f"machine {machine.name}: no frame from the field side yet")
        elif not feed.alive(machine.name):
            faults.append(f"machine {machine.name}: frames from the field side stand still")
    return faults


def application(site: Site, feed: Feed) -> ASGIApp:
    """The two pages."""
    registry = feed_registry(site, feed)

    async def metrics(request: Request) -> Response:
        encode, content_type = choose_encoder(request.headers.get("accept", ""))
        return Response(encode(registry), media_type=content_type)

    async def healthz(request: Request) -> Response:
        faults = health_faults(site, feed)
        body = {"status": "unhealthy" if faults else "healthy", "reasons": faults}
        return JSONResponse(body, status_code=503 if faults else 200)

    pages = [Route("/metrics", metrics), Route("/healthz", healthz)]
    return SecurityHeaders(Starlette(routes=pages))


class HttpOutlet:
    """Serves metrics and health of a site."""

    def __init__(self, site: Site, feed: Feed, order: TakeOrder) -> None:
        self._output = site.file.outputs.http or HttpOutput()
        self._server = _Embedded(
            uvicorn.Config(
                application(site, feed),
                log_config=None,
                access_log=False,
                lifespan="off",
                ws="none",
                http=_BoundedConnection,
                loop="none",
                proxy_headers=False,
                server_header=False,
                backlog=_MOST_CONNECTIONS,  # as many are taken in one turn, before any is refused
                timeout_keep_alive=_ASKS_WITHIN_S,
                timeout_graceful_shutdown=_STOP_WITHIN_S,
            )
        )
        self._listening: socket.socket | None = None
        self._serving: asyncio.Task[None] | None = None

    async def start(self) -> None:
        """Begins to serve. Raises OSError that names the setting if it cannot listen."""
        # It warns of every bad request, and a peer may send as many as it likes.
        logging.getLogger("uvicorn.error").setLevel(logging.ERROR)
        host, port = self._output.host, self._output.port
        try:
            # Bound here, because the server ends the whole process when it cannot bind.
            found = await asyncio.get_running_loop().getaddrinfo(
                host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
            )
            self._listening = socket.create_server(found[0][4][:2], family=found[0][0])
        except OSError as error:
            raise cannot_listen("http", host, port, error) from error
        serving = self._server.serve([self._listening])
        self._serving = asyncio.get_running_loop().create_task(serving)
        self._serving.add_done_callback(_serving_ended)
        log.info("serving http", host=host, port=port)

    async def stop(self) -> None:
        """Stops serving and frees the port; a request under way has a few seconds."""
        if self._serving is None or self._listening is None:
            return
        self._server.should_exit = True
        serving, self._serving = self._serving, None
        try:
            async with asyncio.timeout(2 * _STOP_WITHIN_S):
                await serving
        except TimeoutError:
            log.warning("http did not stop in time")
        finally:
            self._listening.close()


def _serving_ended(task: asyncio.Task[None]) -> None:
    if not task.cancelled() and task.exception() is not None:
        log.error("http is no longer served", why=str(task.exception()))
