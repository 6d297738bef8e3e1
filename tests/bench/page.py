"""A small page for the general ways, so that listeners and requests can come to them, too."""

import asyncio
import threading
from pathlib import Path

from aiohttp import WSMsgType, web


class Page:
    """Answers ``/status`` and tells ``/events`` on a Unix socket, in a loop in its own thread."""

    def __init__(self, path: Path) -> None:
        self.loop = asyncio.new_event_loop()
        self._path = path
        self._is_on = False
        self._queues: set[asyncio.Queue[bool]] = set()
        self._is_up = threading.Event()
        threading.Thread(target=self._run, name="page", daemon=True).start()
        self._is_up.wait()

    def tell(self, is_on: bool) -> None:
        """Tell all listeners that the lamp was switched; never waits."""
        self._is_on = is_on
        self.loop.call_soon_threadsafe(self._spread, is_on)

    def _spread(self, is_on: bool) -> None:
        for queue in self._queues:
            if queue.full():
                queue.get_nowait()
            queue.put_nowait(is_on)

    def _run(self) -> None:
        asyncio.set_event_loop(self.loop)
        self.loop.run_until_complete(self._serve())
        self.loop.run_forever()

    async def _serve(self) -> None:
        app = web.Application()
        app.add_routes([web.get("/status", self._status), web.get("/events", self._events)])
        runner = web.AppRunner(app, access_log=None)
        await runner.setup()
        await web.UnixSite(runner, str(self._path)).start()
        self._is_up.set()

    async def _status(self, _request: web.Request) -> web.Response:
        return web.json_response({"lamp": self._is_on})

    async def _events(self, request: web.Request) -> web.WebSocketResponse:
        listener = web.WebSocketResponse()
        await listener.prepare(request)
        queue: asyncio.Queue[bool] = asyncio.Queue(256)
        self._queues.add(queue)
        sending = asyncio.ensure_future(self._send(listener, queue))
        try:
            async for message in listener:
                if message.type is WSMsgType.ERROR:
                    break
        finally:
            self._queues.discard(queue)
            sending.cancel()
        return listener

    async def _send(self, listener: web.WebSocketResponse, queue: "asyncio.Queue[bool]") -> None:
        while True:
            await listener.send_json({"lamp": await queue.get()})
