"""A simulated printer, by foot and ear: hears the cues, moves the card, presses the pedal."""

import asyncio
from collections.abc import Mapping, Sequence
from typing import Any

from hardware.simulated import SimulatedPedal
from timer.clock import SteadyClock, to_ns
from timer.control.cues import Cue
from timer.control.table import State
from timer.programmes.passes import Pass
from timer.rehearsal.sheet import Hands, places_lit

# How long the printer takes to put the hands in place before the foot starts a pass.
READY_SECONDS = 1.5
_TAP_SECONDS = 0.2


class SimulatedPrinter:
    """Goes through the passes of one sheet; ``hands`` is what the hands did.

    The hands move at the instant at which the cue is heard. Without
    ``own_foot`` the printer also presses the pedal.
    """

    def __init__(
        self,
        passes: Sequence[Pass],
        pedal: SimulatedPedal,
        clock: SteadyClock,
        *,
        own_foot: bool = True,
    ) -> None:
        self.hands = Hands()
        self.is_done = False
        self._passes = passes
        self._pedal = pedal
        self._clock = clock
        self._own_foot = own_foot
        self._set_for: tuple[State, int] | None = None

    async def hear(self, event: Mapping[str, Any]) -> None:
        """React to one event of the daemon."""
        now_ns = self._clock.monotonic_ns()
        if event["event"] == "cue":
            if event["cue"] == Cue.DODGE:
                self.hands.hold_back(now_ns, f"dodge {event['label']}")
            elif event["cue"] == Cue.DODGE_OVER:
                self.hands.let_go(now_ns, f"dodge {event['label']}")
        elif event["event"] == "status":
            await self._see(State(event["state"]), event["pass"])

    async def _see(self, state: State, number: int | None) -> None:
        if state in (State.DONE, State.PAPER_OUT):
            self.is_done = True
        if number is None or state not in (State.WAITING, State.PAUSING):
            return
        if self._set_for == (state, number):
            return
        self._set_for = (state, number)
        one = self._passes[number - 1]
        self.hands.open_places(self._clock.monotonic_ns(), places_lit(one, self._passes))
        if state is State.WAITING and self._own_foot:
            await self._rest(READY_SECONDS)
            pressed_ns = self._clock.monotonic_ns()
            self._pedal.press(pressed_ns)
            await self._rest(_TAP_SECONDS)
            # On a fast clock a busy machine comes back late: the foot was not late for that.
            self._pedal.lift(pressed_ns + to_ns(_TAP_SECONDS))

    async def _rest(self, seconds: float) -> None:
        await asyncio.sleep(self._clock.real_seconds(to_ns(seconds)))
