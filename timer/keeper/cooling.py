"""How long the lamp has been on within the last hour, where a lamp must be given time to cool."""

from timer.clock import NS_PER_SECOND

HOUR_NS = 3600 * NS_PER_SECOND


class Cooling:
    """Sums the lamp's time; ``most_ns`` of it in any hour are allowed, 0 sets no limit.

    It knows of nothing before the keeper's start.
    """

    def __init__(self, most_ns: int) -> None:
        self._most_ns = most_ns
        self._periods: list[tuple[int, int]] = []

    def left_ns(self, now_ns: int) -> int | None:
        """Return how long the lamp may still be on, None where there is no limit."""
        if not self._most_ns:
            return None
        since_ns = now_ns - HOUR_NS
        self._periods = [one for one in self._periods if one[1] > since_ns]
        used_ns = sum(off_ns - max(on_ns, since_ns) for on_ns, off_ns in self._periods)
        return max(0, self._most_ns - used_ns)

    def note(self, on_ns: int, off_ns: int) -> None:
        """Take note of a period in which the lamp was on."""
        if self._most_ns:
            self._periods.append((on_ns, off_ns))
