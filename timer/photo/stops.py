"""Stops: factors of two in exposure, as printers write them.

A number of stops is kept as a :class:`fractions.Fraction`, so that a third of
a stop is a third and not 0.333. It becomes a float only where a time is made.
"""

import re
from fractions import Fraction
from math import exp2, log2

from timer.errors import PlanError

FINEST_STEP = Fraction(1, 12)
WIDEST_STEP = Fraction(2)

_WRITTEN = re.compile(
    r"(?P<sign>[+\-−]?)\s*"
    r"(?:(?P<decimal>\d{1,9}\.\d{1,9})"
    r"|(?P<whole>\d+)(?:\s+(?P<part>\d+\s*/\s*\d+))?"
    r"|(?P<alone>\d+\s*/\s*\d+))"
)


def read_stops(text: str, *, what: str = "stops") -> Fraction:
    """Return the stops that ``text`` says: ``1/3``, ``+1 1/2``, ``-2``, ``0.5``.

    ``what`` names the value in the message of the PlanError that anything else raises.
    """
    # No printer writes more; a longer text could only be a mistake, and costly to convert.
    match = _WRITTEN.fullmatch(text.strip()) if len(text) <= 40 else None
    shown = text if len(text) <= 40 else text[:40] + "…"
    if match is None:
        raise PlanError(
            f"{what}: {shown!r} is not a number of stops; write a fraction such as 1/3 or 1 1/2"
        )
    fraction = match["part"] or match["alone"]
    if fraction and not int(fraction.split("/")[1]):
        raise PlanError(f"{what}: {shown!r} divides by zero; write a fraction such as 1/3 or 1 1/2")
    size = Fraction(match["decimal"] or match["whole"] or 0)
    if fraction:
        size += Fraction(fraction.replace(" ", ""))
    return size if match["sign"] in ("", "+") else -size


def write_stops(stops: Fraction) -> str:
    """Return ``stops`` as a printer writes them: ``1/3``, ``1 1/2``, ``-2``; reads back exactly."""
    sign = "-" if stops < 0 else ""
    whole, rest = divmod(abs(stops), 1)
    if not rest:
        return f"{sign}{whole}"
    part = f"{rest.numerator}/{rest.denominator}"
    return f"{sign}{whole} {part}" if whole else f"{sign}{part}"


def factor(stops: Fraction | float) -> float:
    """Return the factor in exposure that ``stops`` make: 2 to the power of ``stops``."""
    return exp2(stops)


def stops_between(from_seconds: float, to_seconds: float) -> float:
    """Return how many stops ``to_seconds`` is more than ``from_seconds`` (less: negative)."""
    return log2(to_seconds / from_seconds)
