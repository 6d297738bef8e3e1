"""The foot: arms sheets, waits until the enlarger waits, and taps; in a process of its own.

``python -m tests.bench.foot`` prints what it did as JSON.
"""

import argparse
import asyncio
import json
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import aiohttp

from hardware.simulated import SimulatedFoot
from tests.bench.conditions import Sheet

# Longer than the 8 ms below which a press is a spike on the wire.
DOWN_SECONDS = 0.01
# After this long without news the foot taps once more.
_PATIENCE_SECONDS = 5.0
_REAL_TIME = 30


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Let nothing come between stamp and write where the system allows it: a wire isn't late."""
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(_REAL_TIME))
    except OSError:
        yield
        return
    try:
        yield
    finally:
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


def tap(foot: SimulatedFoot) -> int:
    """Tap and return the stamp of the lift, taken right before the edge is on the wire."""
    with _undisturbed():
        foot.press()
    time.sleep(DOWN_SECONDS)
    with _undisturbed():
        return foot.lift()


class _Printer:
    """Makes sheets, led by what the daemon tells its listeners."""

    def __init__(self, foot: SimulatedFoot, session: aiohttp.ClientSession) -> None:
        self._foot = foot
        self._session = session
        self.lifts_ns: list[int] = []
        self.taps_lost = 0
        self.faults: list[str] = []
        self.sheets_done = 0

    async def make(self, sheets: list[Sheet], longest_seconds: float) -> None:
        """Make ``sheets``, as many as can be begun within ``longest_seconds``."""
        gives_up_at = time.monotonic() + longest_seconds
        async with self._session.ws_connect("http://localhost/events") as events:
            for sheet in sheets:
                if time.monotonic() > gives_up_at:
                    return
                await self._post("/arm", {"programme": sheet.programme})
                await self._go_through(events)
                self.sheets_done += 1

    async def _go_through(self, events: aiohttp.ClientWebSocketResponse) -> None:
        tapped_for: tuple[object, ...] | None = None
        sheet: int | None = None
        before = ""
        status: dict[str, Any] = {}
        while True:
            try:
                status = await events.receive_json(timeout=_PATIENCE_SECONDS)
            except TimeoutError:
                status = await self._get("/status")
                if status["state"] in ("waiting", "held"):
                    self.taps_lost += 1
                    tapped_for = None
            if status.get("event", "status") != "status":
                continue
            state = status["state"]
            if state == "waiting" and sheet is None:
                sheet = status["sheet"]
            if state == "done" and sheet is not None and status["sheet"] == sheet:
                return
            if state == "fault":
                if before != "fault":
                    self.faults.append(status["fault"])
                await self._post("/clear", {})
            before = state
            # A press in this state is told, too, as the same state once more.
            now = (state, status["sheet"], status["pass"], status["received_ns"])
            if state in ("waiting", "held") and status["on_since_ns"] is None and now != tapped_for:
                tapped_for = now
                # Blocks the loop: nothing else is to be done here, and a foot is down meanwhile.
                self.lifts_ns.append(tap(self._foot))

    async def _post(self, path: str, body: dict[str, Any]) -> None:
        async with self._session.post(f"http://localhost{path}", json=body) as answer:
            if answer.status >= 500 or (answer.status >= 400 and path != "/clear"):
                raise RuntimeError(f"{path}: {await answer.text()}")

    async def _get(self, path: str) -> dict[str, Any]:
        async with self._session.get(f"http://localhost{path}") as answer:
            return dict(await answer.json())


async def _main() -> None:
    parser = argparse.ArgumentParser(description="The foot, and the hand that arms.")
    parser.add_argument("socket")
    parser.add_argument("wire", type=Path)
    parser.add_argument("sheets", type=json.loads)
    parser.add_argument("longest_seconds", type=float)
    args = parser.parse_args()
    foot = SimulatedFoot(args.wire)
    connector = aiohttp.UnixConnector(args.socket)
    timeout = aiohttp.ClientTimeout(total=None)
    async with aiohttp.ClientSession(connector=connector, timeout=timeout) as session:
        printer = _Printer(foot, session)
        with suppress(KeyboardInterrupt):
            await printer.make([Sheet(*one) for one in args.sheets], args.longest_seconds)
    told = {
        "lifts_ns": printer.lifts_ns,
        "taps_lost": printer.taps_lost,
        "faults": printer.faults,
        "sheets_done": printer.sheets_done,
    }
    sys.stdout.write(json.dumps(told))


if __name__ == "__main__":
    asyncio.run(_main())
