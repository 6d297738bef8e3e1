"""The telling way: sounds at once, pages and command lines through queues that never hold it up."""

import asyncio
import logging
from collections.abc import Mapping
from typing import Any

from hardware.interface import Sounder
from timer.clock import to_seconds
from timer.control.cues import Cue
from timer.control.ports import Status
from timer.control.sounds import SOUNDS
from timer.control.table import State

# A listener that lets this much lie unread loses the oldest: what comes next matters more.
QUEUE_LENGTH = 256
_UNDER_WAY = frozenset({State.VIEWING, State.PAUSING, State.EXPOSING})
_log = logging.getLogger(__name__)

Event = Mapping[str, Any]


class Listeners:
    """Tells control's events; called from the dark way, heard in the service's loop."""

    def __init__(self, loop: asyncio.AbstractEventLoop, sounder: Sounder | None) -> None:
        self._loop = loop
        self._sounder = sounder
        self._queues: set[asyncio.Queue[Event]] = set()

    def cue(self, cue: Cue, at_ns: int, label: str | None) -> None:
        """Tell a cue: heard at once, shown soon."""
        if self._sounder is not None:
            try:
                self._sounder.play(SOUNDS[cue])
            except Exception:
                # Silence is worse than a sound, but never a reason to stop an exposure.
                _log.exception("a cue could not be played")
        self._tell({"event": "cue", "cue": cue.value, "at_ns": at_ns, "label": label})

    def status(self, status: Status) -> None:
        """Tell that the status changed."""
        self._tell({"event": "status", **shown_status(status)})

    def trouble(self, sentence: str) -> None:
        """Tell a trouble that does not stop the enlarger."""
        self._tell({"event": "trouble", "trouble": sentence})

    def add(self) -> "asyncio.Queue[Event]":
        """Return a queue that gets every event from now on."""
        queue: asyncio.Queue[Event] = asyncio.Queue(QUEUE_LENGTH)
        self._queues.add(queue)
        return queue

    def remove(self, queue: "asyncio.Queue[Event]") -> None:
        """Tell ``queue`` nothing more."""
        self._queues.discard(queue)

    def _tell(self, event: Event) -> None:
        try:
            self._loop.call_soon_threadsafe(self._spread, event)
        except RuntimeError:
            return  # the loop is closed: nobody listens any more

    def _spread(self, event: Event) -> None:
        for queue in self._queues:
            if queue.full():
                queue.get_nowait()
            queue.put_nowait(event)


def shown_status(status: Status) -> dict[str, Any]:
    """Return ``status`` as names and values for JSON, with what is left in seconds."""
    left_ns = _left_ns(status)
    return {
        "state": status.state.value,
        "at_ns": status.at_ns,
        "programme": status.programme,
        "version": status.version,
        "sheet": status.sheet,
        "pass": status.pass_number,
        "passes": status.passes,
        "kind": status.kind,
        "label": status.label,
        "filter": status.filter,
        "intended_ns": status.intended_ns,
        "received_ns": status.received_ns,
        "on_since_ns": status.on_since_ns,
        "ends_ns": status.ends_ns,
        "left_s": None if left_ns is None else to_seconds(left_ns),
        "hands": status.hands,
        "fault": status.fault,
        "recovered": status.recovered,
    }


def _left_ns(status: Status) -> int | None:
    """Return what is left of what is under way, or of the pass that is held."""
    if status.state in _UNDER_WAY and status.ends_ns is not None:
        return max(0, status.ends_ns - status.at_ns)
    if status.state is State.HELD and status.intended_ns is not None:
        return max(0, status.intended_ns - status.received_ns)
    return None
