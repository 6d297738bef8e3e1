"""Looking whether the lamp does what it is told: by its line, and by a sense contact."""

from __future__ import annotations

from hardware.errors import HardwareError
from timer.clock import Clock, to_ns
from timer.keeper.protocol import Reason

TYPE_CHECKING = False  # known to type checkers; what is only a type need not be in memory
if TYPE_CHECKING:
    from hardware.interface import Lamp, Sense

# While nothing happens the lamp is looked at this often, in real time.
_LOOK_SECONDS = 0.5


class LampWatch:
    """Compares ``lamp`` with what it was told; ``sense`` is asked ``settle_ns`` after a switching.

    The line itself is read at once after each switching: it has no inertia.
    """

    def __init__(self, lamp: Lamp, sense: Sense | None, settle_ns: int, clock: Clock) -> None:
        self._lamp = lamp
        self._sense = sense
        self._settle_ns = settle_ns
        self._clock = clock
        self._look_ns = to_ns(_LOOK_SECONDS / clock.real_seconds(to_ns(1.0)))
        # Somebody may have switched off only just now: a lamp that was forced off still glows.
        self._settled_ns = self._next_ns = clock.monotonic_ns() + settle_ns
        self.should_be_lit = False
        self.trouble = Reason.NONE

    @property
    def next_wake_ns(self) -> int | None:
        """When :meth:`look` has something to do at its own time; None where there is no hurry."""
        return self._next_ns if self._sense is not None or self.trouble else None

    def switched(self, lit: bool) -> Reason:
        """Take note that the lamp was told to be ``lit``; returns what its line tells is wrong."""
        self.should_be_lit = lit
        self._settled_ns = self._next_ns = self._clock.monotonic_ns() + self._settle_ns
        self.trouble = self._judged(self._lamp.is_on)
        return self.trouble

    def look(self) -> Reason:
        """Look where it is time to; returns a trouble that was not there before, else NONE."""
        if self._clock.monotonic_ns() < self._next_ns:
            return Reason.NONE
        before, self.trouble = self.trouble, self.seen()
        self._next_ns = self._clock.monotonic_ns() + self._look_ns
        return self.trouble if self.trouble is not before else Reason.NONE

    def seen(self) -> Reason:
        """Look now, as far as that tells yet; returns what is wrong, NONE where nothing is."""
        trouble = self._judged(self._lamp.is_on)
        is_settled = self._clock.monotonic_ns() >= self._settled_ns
        if trouble is Reason.NONE and self._sense is not None and is_settled:
            try:
                return self._judged(self._sense.is_lit)
            except HardwareError:
                return Reason.SENSE_FAILED
        return trouble

    def close(self) -> None:
        """Let go of the sense contact."""
        if self._sense is not None:
            self._sense.close()

    def _judged(self, lit: bool) -> Reason:
        if lit == self.should_be_lit:
            return Reason.NONE
        return Reason.LAMP_STAYS_ON if lit else Reason.LAMP_STAYS_OFF
