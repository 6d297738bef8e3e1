"""A print: the base exposure, the dodges inside it, the burns after it.

Dodges and burns are said in stops relative to the base. An area dodged by d
stops gets base * 2**-d, so it is held back for base * (1 - 2**-d); an area
burnt by b stops gets base * 2**b, so it is given base * (2**b - 1) on top
(definition of the stop). A change of base therefore rescales them all.
"""

from dataclasses import dataclass, field, replace
from fractions import Fraction
from math import expm1, log
from typing import Literal

from timer.errors import PlanError
from timer.photo.limits import check_label, check_seconds
from timer.photo.stops import factor, write_stops
from timer.photo.switching import TOLERABLE_STOPS, Switching

MOST_DODGE_STOPS = Fraction(5)
MOST_BURN_STOPS = Fraction(8)
MOST_AREAS = 100
LONGEST_COUNT_IN_SECONDS = 30.0
_LN2 = log(2)
# A sum that misses the base by rounding alone still fits.
_ROUNDING_SECONDS = 1e-9


@dataclass(frozen=True, slots=True)
class Dodge:
    """An area held back for a part of the base.

    ``stops`` less than the base, above 0; ``count_in_seconds`` is the time
    wanted to bring the tool into place; dodges that name the same ``together``
    are done at one time.
    """

    label: str
    stops: Fraction
    count_in_seconds: float = 3.0
    together: str | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "label", check_label(self.label, "dodge label"))
        what = f"dodge {self.label!r}"
        if not 0 < self.stops <= MOST_DODGE_STOPS:
            raise PlanError(
                f"{what}: {write_stops(self.stops)} stop can't be held back;"
                f" give more than 0 and at most {MOST_DODGE_STOPS}"
            )
        check_seconds(
            self.count_in_seconds, f"{what}, count-in", least=0.0, most=LONGEST_COUNT_IN_SECONDS
        )
        if self.together is not None:
            object.__setattr__(self, "together", check_label(self.together, f"{what}, together"))

    def held_back_seconds(self, base_seconds: float) -> float:
        """Return how long the area is kept dark within a base of ``base_seconds``."""
        # 1 - 2**-d loses digits for small d; expm1 keeps them all.
        return -base_seconds * _expm1_stops(-self.stops)


@dataclass(frozen=True, slots=True)
class Burn:
    """An area given more than the base, in a pass of its own, under a filter if it has one."""

    label: str
    stops: Fraction
    filter: str | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "label", check_label(self.label, "burn label"))
        if not 0 < self.stops <= MOST_BURN_STOPS:
            raise PlanError(
                f"burn {self.label!r}: {write_stops(self.stops)} stop can't be burnt in;"
                f" give more than 0 and at most {MOST_BURN_STOPS}"
            )
        if self.filter is not None:
            name = check_label(self.filter, f"burn {self.label!r}, filter", longest=20)
            object.__setattr__(self, "filter", name)

    def more_seconds(self, base_seconds: float) -> float:
        """Return how much longer than ``base_seconds`` the area is exposed."""
        return base_seconds * _expm1_stops(self.stops)


@dataclass(frozen=True, slots=True)
class DodgeTime:
    """When an area is held back, in seconds from the start of the base."""

    label: str
    starts_seconds: float
    ends_seconds: float


@dataclass(frozen=True, slots=True)
class PrintPass:
    """One lamp-on period of a print."""

    kind: Literal["base", "burn"]
    label: str | None
    filter: str | None
    duration_seconds: float
    dodges: tuple[DodgeTime, ...] = ()


@dataclass(frozen=True, slots=True)
class PrintPlan:
    """The passes of a print in their order, and what to beware of."""

    passes: tuple[PrintPass, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Print:
    """A print as a printer asks for it; raises PlanError where it can't be made."""

    base_seconds: float
    filter: str | None = None
    dodges: tuple[Dodge, ...] = field(default=())
    burns: tuple[Burn, ...] = field(default=())

    def __post_init__(self) -> None:
        check_seconds(self.base_seconds, "base exposure")
        if self.filter is not None:
            name = check_label(self.filter, "base filter", longest=20)
            object.__setattr__(self, "filter", name)
        for kind, areas in (("dodge", self.dodges), ("burn", self.burns)):
            if len(areas) > MOST_AREAS:
                raise PlanError(f"{kind}s: {len(areas)} are too many; give {MOST_AREAS} or fewer")
            seen: set[str] = set()
            for area in areas:
                if area.label in seen:
                    raise PlanError(
                        f"{kind} {area.label!r} is there twice; give each {kind} its own label"
                    )
                seen.add(area.label)
        for burn in self.burns:
            check_seconds(burn.more_seconds(self.base_seconds), f"burn {burn.label!r}")
        _lay_out(self.dodges, self.base_seconds)

    def with_base(self, base_seconds: float) -> "Print":
        """Return the same print on another base: every dodge and burn keeps its stops."""
        return replace(self, base_seconds=base_seconds)

    def plan(self, switching: Switching | None = None) -> PrintPlan:
        """Return the passes, with warnings where the lamp or the hands can't follow."""
        switching = switching or Switching()
        dodges, warnings = _lay_out(self.dodges, self.base_seconds)
        passes = (
            PrintPass("base", None, self.filter, self.base_seconds, dodges),
            *(
                PrintPass("burn", b.label, b.filter, b.more_seconds(self.base_seconds))
                for b in self.burns
            ),
        )
        return PrintPlan(passes, warnings + _too_short(passes, self.base_seconds, switching))


def _expm1_stops(stops: Fraction) -> float:
    """Return 2**stops - 1 without losing digits where ``stops`` is small."""
    return factor(stops) - 1 if abs(stops) >= 1 else expm1(float(stops) * _LN2)


def _groups(dodges: tuple[Dodge, ...]) -> list[list[Dodge]]:
    """Return the dodges by the time at which they are done, in the order of their first."""
    groups: dict[tuple[str, str], list[Dodge]] = {}
    for dodge in dodges:
        key = ("alone", dodge.label) if dodge.together is None else ("together", dodge.together)
        groups.setdefault(key, []).append(dodge)
    return list(groups.values())


def _lay_out(
    dodges: tuple[Dodge, ...], base_seconds: float
) -> tuple[tuple[DodgeTime, ...], tuple[str, ...]]:
    """Lay the groups one after another, each behind its count-in.

    Where the base has no room for the count-ins they all shrink in proportion.
    """
    groups = _groups(dodges)
    lengths = [max(d.held_back_seconds(base_seconds) for d in group) for group in groups]
    count_ins = [max(d.count_in_seconds for d in group) for group in groups]
    room = base_seconds - sum(lengths)
    if room < -_ROUNDING_SECONDS:
        raise PlanError(
            f"dodges: held back for {sum(lengths):.2f} s in all, they are {-room:.2f} s longer than"
            f" the base of {base_seconds:g} s; do some of them together, hold back less,"
            " or stop the lens down for a longer base"
        )
    wanted = sum(count_ins)
    share = 1.0 if wanted <= room else max(room, 0.0) / wanted
    times: dict[str, DodgeTime] = {}
    warnings = []
    now = 0.0
    for group, length, count_in in zip(groups, lengths, count_ins, strict=True):
        now += count_in * share
        for dodge in group:
            ends = min(now + dodge.held_back_seconds(base_seconds), base_seconds)
            times[dodge.label] = DodgeTime(dodge.label, now, ends)
        now += length
        if share < 1.0:
            names = " and ".join(repr(d.label) for d in group)
            warnings.append(
                f"dodge {names}: its count-in is {count_in * share:.1f} s instead of"
                f" {count_in:g} s; have the tool ready, or stop the lens down for a longer base"
            )
    return tuple(times[d.label] for d in dodges), tuple(warnings)


def _too_short(
    passes: tuple[PrintPass, ...], base_seconds: float, switching: Switching
) -> tuple[str, ...]:
    mend = "stop the lens down and expose longer"
    found = []
    for number, one in enumerate(passes, start=1):
        name = f"pass {number} ({one.kind if one.label is None else f'burn {one.label!r}'})"
        if switching.is_too_short(one.duration_seconds):
            found.append(
                f"{name}: {one.duration_seconds:.3f} s is too short for the lamp's switch"
                f" (trusted from {switching.shortest_seconds:g} s); {mend}"
            )
        # A burnt area has seen the base too: two passes make its total.
        total = one.duration_seconds + (base_seconds if one.kind == "burn" else 0.0)
        doubt = switching.doubt_stops(total, 1 if one.kind == "base" else 2)
        if doubt > TOLERABLE_STOPS:
            amount = f"{doubt:.2f} stop" if doubt < 10 else "all of it"
            found.append(
                f"{name}: the lag of the lamp may take {amount} of {total:.2f} s"
                f" (more than {TOLERABLE_STOPS} stop); {mend}"
            )
    return tuple(found)
