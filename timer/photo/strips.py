"""Test strips: the patches that are wanted, and the passes that produce them.

A strip made by covering or uncovering is cumulative: each patch sums all
passes that it saw. Patches are numbered by exposure, 1 the least; passes are
numbered in the order in which they are made.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise
from typing import TypeVar

from timer.errors import PlanError
from timer.photo.limits import check_seconds
from timer.photo.stops import FINEST_STEP, WIDEST_STEP, factor, stops_between, write_stops
from timer.photo.switching import TOLERABLE_STOPS, Switching

FEWEST_PATCHES = 2
MOST_PATCHES = 24

_Amount = TypeVar("_Amount", int, float)


class Way(StrEnum):
    """How a strip is made.

    cover: the card covers one more band after each pass. uncover: the card
    uncovers one more band before each pass. separate: every patch is a fresh
    piece, or a fresh place under a mask, exposed once.
    """

    COVER = "cover"
    UNCOVER = "uncover"
    SEPARATE = "separate"


@dataclass(frozen=True, slots=True)
class Patch:
    """One band: its total in seconds, and in stops relative to the strip's reference."""

    number: int
    exposure_seconds: float
    stops: float


@dataclass(frozen=True, slots=True)
class StripPass:
    """One lamp-on period of a strip and the numbers of the patches that it lights."""

    number: int
    duration_seconds: float
    lights: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class StripPlan:
    """What to do for a strip, what comes of it, and what to beware of."""

    way: Way
    patches: tuple[Patch, ...]
    passes: tuple[StripPass, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Strip:
    """A test strip as a printer asks for it.

    ``patches`` bands (2 to 24), starting at ``first_seconds`` or around
    ``centre_seconds`` (with an even number, one more lies above than below),
    and exactly one of: ``step_stops`` (f-stop: equal fractions of a stop, 1/12
    to 2), ``add_seconds`` (incremental: equal seconds), ``repeat`` (the same
    pass of ``first_seconds`` each time). Raises PlanError.
    """

    patches: int
    way: Way = Way.COVER
    first_seconds: float | None = None
    centre_seconds: float | None = None
    step_stops: Fraction | None = None
    add_seconds: float | None = None
    repeat: bool = False

    def __post_init__(self) -> None:
        if isinstance(self.patches, bool) or not FEWEST_PATCHES <= self.patches <= MOST_PATCHES:
            raise PlanError(
                f"patches: a strip has {FEWEST_PATCHES} to {MOST_PATCHES} of them,"
                f" not {self.patches if abs(self.patches) < 10**9 else 'that many'}"
            )
        if (self.first_seconds is None) == (self.centre_seconds is None):
            raise PlanError("give either the first exposure or the centre one, and not both")
        if (self.step_stops is not None) + (self.add_seconds is not None) + self.repeat != 1:
            raise PlanError("give one of: a step in stops, seconds to add, or plain repeats")
        if self.first_seconds is not None:
            check_seconds(self.first_seconds, "first exposure")
        if self.centre_seconds is not None:
            check_seconds(self.centre_seconds, "centre exposure")
        if self.repeat and self.first_seconds is None:
            raise PlanError("plain repeats: give the seconds of the pass that is repeated")
        if self.step_stops is not None and not FINEST_STEP <= self.step_stops <= WIDEST_STEP:
            raise PlanError(
                f"step: {write_stops(self.step_stops)} stop can't be made into a strip;"
                f" give {FINEST_STEP} to {WIDEST_STEP}"
            )
        if self.add_seconds is not None:
            check_seconds(self.add_seconds, "seconds to add")
        totals = self.totals_seconds()
        if totals[0] <= 0:
            raise PlanError(
                f"the first of {self.patches} patches would get {totals[0]:g} s;"
                " add fewer seconds, or make the centre longer"
            )
        check_seconds(totals[0], "patch 1")
        check_seconds(totals[-1], f"patch {self.patches}")

    @property
    def reference_index(self) -> int:
        """Index of the patch that stops are counted from: the first, or the centre one."""
        return 0 if self.centre_seconds is None else (self.patches - 1) // 2

    def totals_seconds(self) -> tuple[float, ...]:
        """Return each patch's total in seconds, rising (equal for separate plain repeats)."""
        start = self.first_seconds if self.centre_seconds is None else self.centre_seconds
        assert start is not None  # noqa: S101 -- for the type checker; __post_init__ has seen to it
        steps = range(-self.reference_index, self.patches - self.reference_index)
        if self.step_stops is not None:
            return tuple(start * factor(k * self.step_stops) for k in steps)
        if self.add_seconds is not None:
            return tuple(float(start + k * self.add_seconds) for k in steps)
        if self.way is Way.SEPARATE:
            return (float(start),) * self.patches
        return tuple(float(start * (k + 1)) for k in steps)

    def plan(self, switching: Switching | None = None) -> StripPlan:
        """Return the passes that give each patch its total, with warnings where they are due."""
        totals = self.totals_seconds()
        reference = totals[self.reference_index]
        if self.step_stops is None:
            stops = [stops_between(reference, total) for total in totals]
        else:
            stops = [
                float((k - self.reference_index) * self.step_stops) for k in range(len(totals))
            ]
        patches = tuple(
            Patch(number, total, more)
            for number, (total, more) in enumerate(zip(totals, stops, strict=True), start=1)
        )
        passes = tuple(
            StripPass(number, duration, lights)
            for number, (duration, lights) in enumerate(
                zip(durations(self.way, totals), _lights(self.way, len(totals)), strict=True),
                start=1,
            )
        )
        return StripPlan(
            self.way,
            patches,
            passes,
            _warnings(patches, passes, self.way, switching or Switching()),
        )


def durations(way: Way, totals: Sequence[_Amount]) -> list[_Amount]:
    """Return each pass's duration, in the order of the passes, in the unit of ``totals``."""
    if way is Way.SEPARATE:
        return list(totals)
    # What patch k gets more than patch k - 1 is a pass that lights k and all above it.
    more: list[_Amount] = [totals[0]]
    more += [b - a for a, b in pairwise(totals)]
    return more if way is Way.COVER else more[::-1]


def _lights(way: Way, count: int) -> list[tuple[int, ...]]:
    """Return the numbers of the patches that each pass lights, in the order of the passes."""
    if way is Way.SEPARATE:
        return [(k,) for k in range(1, count + 1)]
    lit = [tuple(range(k, count + 1)) for k in range(1, count + 1)]
    return lit if way is Way.COVER else lit[::-1]


def _warnings(
    patches: tuple[Patch, ...], passes: tuple[StripPass, ...], way: Way, switching: Switching
) -> tuple[str, ...]:
    mend = "stop the lens down and expose longer"
    if way is not Way.SEPARATE:
        mend += ", or make the patches by the separate way"
    found = [
        f"pass {p.number}: {p.duration_seconds:.3f} s is too short for the lamp's switch"
        f" (trusted from {switching.shortest_seconds:g} s); {mend}"
        for p in passes
        if switching.is_too_short(p.duration_seconds)
    ]
    for patch in patches:
        seen = sum(patch.number in p.lights for p in passes)
        doubt = switching.doubt_stops(patch.exposure_seconds, seen)
        if doubt > TOLERABLE_STOPS:
            amount = f"{doubt:.2f} stop" if doubt < 10 else "all of it"
            found.append(
                f"patch {patch.number}: the lag of the lamp in {seen}"
                f" {'pass' if seen == 1 else 'passes'} may take {amount} of its"
                f" {patch.exposure_seconds:.2f} s (more than {TOLERABLE_STOPS} stop); {mend}"
            )
    return tuple(found)
