"""A cable between a client and a Modbus TCP server of this computer.

What goes to the server passes as it is; what comes back may be held up, cut, doubled or
lost on the way, as whoever lays the cable says.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from contextlib import suppress

from records.errors import RigError

from .byte_server import Pieces

_MOST = 4096


class Relay:
    """Passes bytes between a port of its own and a server's.

    Args:
        host, port: where it listens; port 0 takes any free one.
        server_port: the server's, on the same host.
        back: what becomes of an answer on its way back.
        up: False while the cable is out: who is connected is cut off, nobody new gets
            through.

    Raises:
        RigError: ``port_in_use``.
    """

    def __init__(
        self,
        host: str,
        port: int,
        server_port: int,
        back: Callable[[bytes], Pieces],
        up: Callable[[], bool],
    ) -> None:
        self.host, self.port = host, port
        self._server_port = server_port
        self._back = back
        self._up = up
        self._failed: OSError | None = None
        self._ready = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._thread = threading.Thread(target=self._run, name="relay", daemon=True)
        self._thread.start()
        self._ready.wait(10.0)
        if self._failed is not None:
            raise RigError(
                "port_in_use", where=f"{host}:{port}", host=host, port=port
            ) from self._failed

    def close(self) -> None:
        """Take the cable away."""
        if self._loop is not None and self._stop is not None:
            with suppress(RuntimeError):  # it may have ended by itself
                self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except OSError as error:
            self._failed = error
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        tasks: set[asyncio.Task[None]] = set()

        async def take(
            reader: asyncio.StreamReader, writer: asyncio.StreamWriter
        ) -> None:
            task = asyncio.current_task()
            assert task is not None
            tasks.add(task)
            try:
                # cancelled is ended: the stream's own callback takes it for a fault
                with suppress(asyncio.CancelledError):
                    await self._pass(reader, writer)
            finally:
                tasks.discard(task)
                await _closed(writer)

        server = await asyncio.start_server(take, self.host, self.port)
        self.port = int(server.sockets[0].getsockname()[1])
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        self._ready.set()
        async with server:
            await self._stop.wait()
            server.close()
            await asyncio.sleep(0)  # what was just accepted begins
            while tasks:
                for task in list(tasks):
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)

    async def _pass(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        if not self._up():
            return
        down, up = await asyncio.open_connection(self.host, self._server_port)

        async def forth() -> None:
            while data := await reader.read(_MOST):
                up.write(data)

        async def back() -> None:
            while data := await down.read(_MOST):
                for delay_s, piece in self._back(data):
                    if delay_s:
                        await asyncio.sleep(delay_s)
                    writer.write(piece)

        async def watch() -> None:
            while self._up():
                await asyncio.sleep(0.02)

        ways = [asyncio.ensure_future(way()) for way in (forth, back, watch)]
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for way in ways:
                way.cancel()
            await asyncio.gather(*ways, return_exceptions=True)
            await _closed(up)


async def _closed(writer: asyncio.StreamWriter) -> None:
    """Close a stream and wait until its socket is."""
    writer.close()
    with suppress(OSError):  # the other end had gone
        await writer.wait_closed()
