"""The server under the page: patience with slow visitors, none with silent ones, and a quick end."""

from __future__ import annotations

import asyncio
from typing import Any, ClassVar

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

HEADER_S = 10.0  # longest time until a request has said what it wants
SILENT = 24  # connections of one address that have not; one more closes the oldest


class PatientProtocol(H11Protocol):
    """HTTP/1.1 with a time limit for the head of a request, and a limit of silent connections for each address."""

    silent: ClassVar[dict[str, dict[PatientProtocol, asyncio.TimerHandle]]] = {}

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a request."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Take bytes; once the head is whole, the time limits of the body hold."""
        if self.cycle is None or self.cycle.response_complete:
            self._wait()
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._heard()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        self._heard()
        super().connection_lost(exc)

    def _address(self) -> str:
        return self.client[0] if self.client else ""

    def _wait(self) -> None:
        waiting = self.silent.setdefault(self._address(), {})
        if self in waiting:
            return
        waiting[self] = self.loop.call_later(HEADER_S, self.transport.close)
        if len(waiting) > SILENT:
            oldest = next(iter(waiting))
            oldest._heard()
            oldest.transport.close()

    def _heard(self) -> None:
        waiting = self.silent.get(self._address(), {})
        timer = waiting.pop(self, None)
        if timer is not None:
            timer.cancel()
        if not waiting:
            self.silent.pop(self._address(), None)


class Server(uvicorn.Server):
    """A server that ends at once: who waits for news is told to ask again."""

    async def shutdown(self, sockets: Any = None) -> None:
        """End."""
        hurry = getattr(getattr(self.config.app, "state", None), "hurry", None)
        if hurry is not None:
            hurry()
        await super().shutdown(sockets)


def make_server(app: Any, host: str, port: int) -> Server:
    """Make the server for a page.

    Parameters
    ----------
    app : Starlette
        From `app.make_app`.
    host : str
        Address to listen at.
    port : int
        0 for any that is free.
    """
    return Server(
        uvicorn.Config(
            app,
            host=host,
            port=port,
            http=PatientProtocol,
            ws="none",
            log_level="warning",
            access_log=False,
            server_header=False,
            h11_max_incomplete_event_size=32_768,
            limit_concurrency=200,
            timeout_keep_alive=10,
            timeout_graceful_shutdown=1,
            proxy_headers=False,
        )
    )
