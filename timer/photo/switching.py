"""What lamp and switch lose at each pass, and when a pass is too short to be trusted."""

from dataclasses import dataclass
from fractions import Fraction
from math import log2

from timer.photo.limits import check_seconds

# Half of the finest step that a strip can have: less can't be seen.
TOLERABLE_STOPS = Fraction(1, 24)


@dataclass(frozen=True, slots=True)
class Switching:
    """How exactly the lamp follows its switch.

    ``lag_seconds`` is the light, in seconds of full light, that each pass may
    lose or add. The default is the loss of a 100 W incandescent lamp that
    reaches 90 % of its light after 0.13 s, afterglow not counted: tau = 0.13 s
    / ln 10 = 0.0565 s ("Incandescent light bulb", a first-order model).
    ``shortest_seconds`` is the shortest pass that the switch is trusted with;
    its default is common practice, no published source.
    """

    lag_seconds: float = 0.0565
    shortest_seconds: float = 0.2

    def __post_init__(self) -> None:
        check_seconds(self.lag_seconds, "lag", least=0.0, most=10.0)
        check_seconds(self.shortest_seconds, "shortest pass", least=0.0, most=10.0)

    def is_too_short(self, duration_seconds: float) -> bool:
        """Whether the switch can't be trusted with a pass of ``duration_seconds``."""
        return duration_seconds < self.shortest_seconds

    def doubt_stops(self, total_seconds: float, passes: int) -> float:
        """Return how many stops a total made of ``passes`` passes may be wrong by the lag."""
        kept = total_seconds - passes * self.lag_seconds
        return log2(total_seconds / kept) if kept > 0 else float("inf")
