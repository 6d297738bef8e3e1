"""The pedal's grammar: from raw edges, bounce included, to what the foot did.

Control judges by it, and so does the keeper: it is pure and small enough for both.

The first edge counts, and its own stamp; for a short while after it nothing
else does. At the end of that while the level that the switch then has is taken,
as soon as the contact has come to rest. One that takes too long for that is no
foot: it is a bad contact or a wire that picks something up. It stops, as every
press does, but it means nothing.
"""

from enum import StrEnum
from typing import NamedTuple

from timer.clock import to_ns

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable


# What a foot did longer ago than this starts nothing: the machine stood still in between.
STALE_SECONDS = 1.0
# A contact that takes so many bounces to come to rest is not moved by a foot.
_MOST_BOUNCES = 2


class Foot(StrEnum):
    """What a foot does, in the words of the state machine's inputs."""

    PRESS = "press"  # it comes down
    TAP = "tap"  # up again after a short press
    BRUSH = "brush"  # up again sooner than any foot, or a contact that chattered
    LONG = "long"  # down for as long as giving up takes
    AGAIN = "again"  # up again after a long press
    LEAVE = "leave"  # up again after a very long press
    STUCK = "stuck"  # down for longer than any foot would


class PedalTimes(NamedTuple):
    """How long things take, in nanoseconds.

    ``brush_ns``: shorter than any foot is down, so a spike on the wire;
    ``news_ns``: how long an edge may be on its way here; ``late_ns``: a machine
    that comes this late to a long press stood still, and what it then finds
    pressed says nothing about what the foot meant.
    """

    brush_ns: int = to_ns(0.008)
    bounce_ns: int = to_ns(0.05)
    long_ns: int = to_ns(0.8)
    very_long_ns: int = to_ns(2.5)
    stuck_ns: int = to_ns(15.0)
    news_ns: int = to_ns(0.03)
    late_ns: int = to_ns(0.25)


class PedalGrammar:
    """Turns edges and the passing of time into words; ``say(foot, at_ns)`` receives them.

    ``crossed(very_long, at_ns)`` tells that the foot has been down for long or
    very long, so that the printer can hear when to lift it.
    """

    def __init__(
        self,
        times: PedalTimes,
        say: "Callable[[Foot, int], None]",
        crossed: "Callable[[bool, int], None]",
    ) -> None:
        self._times = times
        self._say = say
        self._crossed = crossed
        self._down = False
        self._level = False
        self._level_ns = 0
        self._locked_until_ns: int | None = None
        self._locked_ns = 0
        self._is_a_foot = True
        self._down_ns = 0
        self._stages: list[tuple[int, str]] = []

    @property
    def foot_is_down(self) -> bool:
        """Whether the foot is on the pedal, bounce left out."""
        return self._down

    @property
    def next_wake_ns(self) -> int | None:
        """When :meth:`wake` has something to do, None where only an edge can bring it."""
        due = [self._stages[0][0] + self._times.news_ns] if self._stages else []
        if self._locked_until_ns is not None:
            due.append(self._locked_until_ns)
        return min(due, default=None)

    def edge(self, down: bool, at_ns: int) -> None:
        """Take a raw edge with its own stamp."""
        self._unlock(at_ns)
        self._pass_stages(at_ns, at_ns)
        self._level, self._level_ns = down, at_ns
        if self._locked_until_ns is not None:
            # A contact that is not at rest has not lifted yet; a press is never waited for.
            rest_ns = self._times.bounce_ns // 2 if self._down else 0
            self._locked_until_ns = max(self._locked_until_ns, at_ns + rest_ns)
        elif down != self._down:
            self._accept(down, at_ns)

    def wake(self, now_ns: int) -> None:
        """Do what has become due.

        A stage waits a little longer than its time: a lift that came before it
        may still be on its way here.
        """
        self._unlock(now_ns)
        self._pass_stages(now_ns - self._times.news_ns, now_ns)

    def _unlock(self, now_ns: int) -> None:
        if self._locked_until_ns is not None and now_ns >= self._locked_until_ns:
            restless_ns = self._locked_until_ns - self._locked_ns
            self._locked_until_ns = None
            if restless_ns > _MOST_BOUNCES * self._times.bounce_ns:
                self._is_a_foot = False
            if self._level != self._down:
                self._accept(self._level, max(self._level_ns, self._down_ns))

    def _pass_stages(self, until_ns: int, now_ns: int) -> None:
        while self._stages and until_ns >= self._stages[0][0]:
            at_ns, stage = self._stages.pop(0)
            if stage == "stuck":
                self._say(Foot.STUCK, at_ns)
            else:
                self._crossed(stage == "very long", at_ns)
                is_at_rest = self._is_a_foot and self._locked_until_ns is None
                if stage == "long" and is_at_rest and now_ns - at_ns <= self._times.late_ns:
                    self._say(Foot.LONG, at_ns)

    def _accept(self, down: bool, at_ns: int) -> None:
        self._down = down
        self._locked_ns = at_ns
        self._locked_until_ns = at_ns + self._times.bounce_ns
        if down:
            self._down_ns = at_ns
            self._is_a_foot = True
            self._stages = [
                (at_ns + self._times.long_ns, "long"),
                (at_ns + self._times.very_long_ns, "very long"),
                (at_ns + self._times.stuck_ns, "stuck"),
            ]
            self._say(Foot.PRESS, at_ns)
            return
        self._stages = []
        held_ns = at_ns - self._down_ns
        if held_ns < self._times.brush_ns or not self._is_a_foot:
            self._say(Foot.BRUSH, at_ns)
        elif held_ns >= self._times.very_long_ns:
            self._say(Foot.LEAVE, at_ns)
        elif held_ns >= self._times.long_ns:
            self._say(Foot.AGAIN, at_ns)
        else:
            self._say(Foot.TAP, at_ns)
