"""The pedal, read by the keeper: nothing of the daemon lies between a foot and the lamp.

Each edge is passed on to the daemon, whose control judges it by the same
grammar. What the keeper does by itself is little: a press stops an exposure, a
tap starts the order that control has latched for it.
"""

from __future__ import annotations

from timer.clock import Clock
from timer.foot import STALE_SECONDS, Foot, PedalGrammar, PedalTimes

TYPE_CHECKING = False  # known to type checkers; what is only a type need not be in memory
if TYPE_CHECKING:
    from collections.abc import Callable

    from hardware.interface import PedalWire


class FootWay:
    """Reads ``wire`` and calls ``edge(down, at_ns)``, ``press()`` and ``tap(pressed_ns)``.

    ``pressed_ns`` is when the foot came down. What comes late, from before a
    standstill of the machine, still calls ``press``, but never ``tap``.
    """

    def __init__(
        self,
        wire: PedalWire,
        times: PedalTimes,
        clock: Clock,
        *,
        edge: Callable[[bool, int], None],
        press: Callable[[], None],
        tap: Callable[[int], None],
    ) -> None:
        self._wire = wire
        self._clock = clock
        self._grammar = PedalGrammar(times, self._say, lambda _very_long, _at_ns: None)
        self._edge, self._press, self._tap = edge, press, tap
        self._pressed_ns: int | None = None
        self.was_down_at_start = wire.is_down
        if self.was_down_at_start:
            self._grammar.edge(True, clock.monotonic_ns())
            self._pressed_ns = None  # nobody saw it come down

    def fileno(self) -> int:
        """Return the file descriptor that becomes readable with an edge."""
        return self._wire.fileno()

    @property
    def next_wake_ns(self) -> int | None:
        """When :meth:`wake` has something to do, None where only an edge can bring it."""
        return self._grammar.next_wake_ns

    def read(self) -> bool:
        """Take some of the edges that have come; False where there were none."""
        edges = self._wire.read()
        for down, at_ns in edges:
            # First: the daemon hears of an edge before it hears what came of it.
            self._edge(down, at_ns)
            self._grammar.edge(down, at_ns)
        return bool(edges)

    def wake(self) -> None:
        """Take what has become due, as the end of a bounce."""
        self._grammar.wake(self._clock.monotonic_ns())

    def close(self) -> None:
        """Let go of the pedal."""
        self._wire.close()

    def _is_stale(self, at_ns: int) -> bool:
        return self._clock.real_seconds(self._clock.monotonic_ns() - at_ns) > STALE_SECONDS

    def _say(self, foot: Foot, at_ns: int) -> None:
        if foot is Foot.PRESS:
            self._pressed_ns = None if self._is_stale(at_ns) else at_ns
            self._press()
        elif foot is Foot.TAP and self._pressed_ns is not None and not self._is_stale(at_ns):
            self._tap(self._pressed_ns)
