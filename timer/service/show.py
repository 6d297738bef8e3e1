"""Live progress in a terminal: what is exposing, seconds left, what the hands do next."""

import asyncio
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from types import TracebackType
from typing import Any

from rich.console import Console
from rich.live import Live
from rich.text import Text

from timer.clock import SteadyClock, to_seconds
from timer.programmes.model import Programme
from timer.programmes.passes import Pass

_BAR = 40
_REFRESH_SECONDS = 0.1


class Show:
    """Shows events: redrawn in place in a terminal, line by line anywhere else."""

    def __init__(self, clock: SteadyClock, *, quiet: bool, keyboard: bool = False) -> None:
        self._clock = clock
        self._quiet = quiet
        self._keyboard = keyboard
        self._console = Console(highlight=False)
        self._live: Live | None = None
        self._status: Mapping[str, Any] = {}
        self._heard = ""
        self._task: asyncio.Task[None] | None = None

    def __enter__(self) -> "Show":
        if not self._quiet and sys.stdout.isatty():
            self._live = Live(console=self._console, auto_refresh=False)
            self._live.start()
            self._task = asyncio.get_running_loop().create_task(self._redraw())
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        if self._task is not None:
            self._task.cancel()
        if self._live is not None:
            self._live.update(Text(""), refresh=True)
            self._live.stop()

    def begin(self, programme: Programme, passes: Sequence[Pass]) -> None:
        """Show which sheet is made."""
        kind = "a test strip" if programme.strip is not None else "a print"
        self._line(f"{programme.name}: {kind} of {len(passes)} passes")
        if self._keyboard:
            self._line("  space taps the pedal, l is a long press, q leaves")

    def tell(self, event: Mapping[str, Any]) -> None:
        """Show an event."""
        if event["event"] == "status":
            self._status, before = event, self._status
            seen = ("state", "pass")
            if any(before.get(key) != event.get(key) for key in seen):
                self._line(f"  {_headline(event)}")
        elif event["event"] == "cue" and event["cue"] not in ("tick", "fifth"):
            label = f" {event['label']}" if event["label"] else ""
            self._heard = event["cue"] + label
            if event["cue"] in ("dodge", "dodge over"):
                self._line(f"    {self._heard}")
        elif event["event"] == "trouble":
            self._line(f"  trouble: {event['trouble']}")

    def _line(self, text: str) -> None:
        if not self._quiet:
            self._console.print(text, markup=False, soft_wrap=True)

    async def _redraw(self) -> None:
        with suppress(asyncio.CancelledError):
            while self._live is not None:
                self._live.update(Text(self._picture()), refresh=True)
                await asyncio.sleep(_REFRESH_SECONDS)

    def _picture(self) -> str:
        status = self._status
        if not status or status["ends_ns"] is None:
            return f"  hear: {self._heard}"
        left_ns = max(0, status["ends_ns"] - self._clock.monotonic_ns())
        whole_ns = max(1, status["intended_ns"] or left_ns)
        if status["state"] == "pausing":
            whole_ns = max(1, status["ends_ns"] - status["at_ns"])
        done = round(_BAR * max(0.0, 1.0 - left_ns / whole_ns))
        bar = "#" * done + "." * (_BAR - done)
        lines = [f"  [{bar}] {to_seconds(left_ns):6.1f} s left", f"  hear: {self._heard}"]
        if status["hands"]:
            lines.append(f"  next: {status['hands']}")
        return "\n".join(lines)


def _headline(status: Mapping[str, Any]) -> str:
    """Return what happens, in which pass, and what the hands do, in one line."""
    if status["pass"] is None:
        return str(status["state"])
    what = status["kind"] + (f" {status['label']}" if status["label"] else "")
    line = f"{status['state']}: pass {status['pass']} of {status['passes']}, {what}"
    if status["intended_ns"]:
        line += f", {to_seconds(status['intended_ns']):.2f} s"
    # While the lamp is on the hands are busy: what they do next comes after.
    when = "next" if status["state"] == "exposing" else "hands"
    return line + (f"; {when}: {status['hands']}" if status["hands"] else "")
