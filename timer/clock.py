"""The one monotonic clock, injected wherever time is needed.

Wall-clock time is for records only and never decides when the lamp goes off.
"""

import time
from datetime import UTC, datetime
from typing import Protocol

NS_PER_SECOND = 1_000_000_000


class Clock(Protocol):
    """Monotonic nanoseconds, and how to wait for them."""

    def monotonic_ns(self) -> int:
        """Return the present instant in nanoseconds; it never goes backwards."""
        ...

    def real_seconds(self, duration_ns: int) -> float:
        """Return how many seconds of the machine's own time ``duration_ns`` of this clock take."""
        ...


class SteadyClock:
    """The machine's monotonic clock, or a clock that runs ``rate`` times as fast.

    The keeper and the daemon are two processes. Both compute an accelerated
    instant from the machine's clock by the same formula, ``rate`` times the
    reading, so that their stamps agree without a message.
    """

    def __init__(self, rate: int = 1) -> None:
        if rate < 1:
            raise ValueError(f"a clock's rate must be 1 or more, not {rate}")
        self.rate = rate

    def monotonic_ns(self) -> int:
        """Return the present instant in nanoseconds."""
        return time.monotonic_ns() * self.rate

    def real_seconds(self, duration_ns: int) -> float:
        """Return how many real seconds ``duration_ns`` nanoseconds of this clock take."""
        return duration_ns / (NS_PER_SECOND * self.rate)


def wall_time() -> str:
    """Return the date and time for a record: ISO 8601, UTC, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def to_ns(seconds: float) -> int:
    """Return the nearest whole nanosecond of ``seconds``."""
    return round(seconds * NS_PER_SECOND)


def to_seconds(duration_ns: int) -> float:
    """Return ``duration_ns`` in seconds."""
    return duration_ns / NS_PER_SECOND
