"""From exposures to figures. Errors are in milliseconds, stamps in nanoseconds."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import accumulate
from math import ceil
from statistics import median
from typing import Any, NamedTuple

from tests.bench.conditions import PASSES_OF_A_STRIP

NS_PER_MS = 1_000_000


class Exposure(NamedTuple):
    """One pass: what was intended, and how long the lamp was on, in all its periods together.

    ``lit_ns`` goes from the middle of the two clock readings around each write on
    to that around each write off; ``line_ns`` is the same by the line's own stamps.
    """

    sheet: int
    intended_ns: int
    lit_ns: int
    line_ns: int
    periods: int = 1

    @property
    def error_ms(self) -> float:
        """On-time less what was intended."""
        return (self.lit_ns - self.intended_ns) / NS_PER_MS

    @property
    def line_error_ms(self) -> float:
        """The same by the line's own stamps."""
        return (self.line_ns - self.intended_ns) / NS_PER_MS


@dataclass(frozen=True, slots=True)
class Summary:
    """How far off ``n`` values are; percentiles by nearest rank, in milliseconds.

    ``p999`` is None for fewer than 1,000 values. ``above_tenth`` and ``above_one``
    count the values above 0.1 ms and 1 ms.
    """

    n: int
    median: float
    p99: float
    p999: float | None
    worst: float
    above_tenth: int
    above_one: int

    @property
    def share_above_tenth(self) -> float:
        """The share of values above 0.1 ms."""
        return self.above_tenth / self.n

    @property
    def share_above_one(self) -> float:
        """The share of values above 1 ms."""
        return self.above_one / self.n

    def as_json(self) -> dict[str, Any]:
        """Return names and values."""
        return asdict(self)


def summary(values_ms: Iterable[float]) -> Summary | None:
    """Return the figures of ``values_ms``, None where there are none."""
    values = sorted(values_ms)
    return summary_of_counts({}, values) if values else None


def summary_of_counts(
    counts: Mapping[float, int], values: Sequence[float] = (), worst: float | None = None
) -> Summary | None:
    """Return the figures of a histogram, value in ms to count, and of single ``values``.

    ``worst`` is the largest value where the histogram does not reach up to it.
    """
    pairs = sorted([*counts.items(), *((value, 1) for value in values)])
    n = sum(count for _, count in pairs)
    if n == 0:
        return None
    heights = list(accumulate(count for _, count in pairs))

    def percentile(share: float) -> float:
        rank = max(1, ceil(share * n))
        return next(pairs[at][0] for at, height in enumerate(heights) if height >= rank)

    return Summary(
        n=n,
        median=percentile(0.5),
        p99=percentile(0.99),
        p999=percentile(0.999) if n >= 1000 else None,
        worst=pairs[-1][0] if worst is None else worst,
        above_tenth=sum(count for value, count in pairs if value > 0.1),
        above_one=sum(count for value, count in pairs if value > 1.0),
    )


@dataclass(frozen=True, slots=True)
class Drift:
    """How the sum over a strip moves away from what was intended, in milliseconds.

    ``grows`` is the median over all whole strips of the sum after 1, 2, ... passes;
    ``worst`` the largest distance after the last one.
    """

    strips: int
    grows: tuple[float, ...]
    worst: float

    @property
    def after(self) -> float:
        """The median after the last pass."""
        return self.grows[-1]


def drift(exposures: Sequence[Exposure]) -> Drift | None:
    """Return how whole strips drift, None where there is no whole one."""
    sheets: dict[int, list[float]] = {}
    for one in exposures:
        sheets.setdefault(one.sheet, []).append(one.error_ms)
    sums = [
        list(accumulate(errors)) for errors in sheets.values() if len(errors) == PASSES_OF_A_STRIP
    ]
    if not sums:
        return None
    return Drift(
        len(sums),
        tuple(median(column) for column in zip(*sums, strict=True)),
        max(abs(one[-1]) for one in sums),
    )


def errors(exposures: Iterable[Exposure]) -> list[float]:
    """Return how far each exposure is off, without its sign, in milliseconds."""
    return [abs(one.error_ms) for one in exposures]
