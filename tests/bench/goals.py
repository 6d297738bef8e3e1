"""What is wanted, beside what was measured."""

from collections.abc import Iterator
from dataclasses import dataclass
from statistics import median

from tests.bench.conditions import BUSY
from tests.bench.figures import Summary, drift, errors, summary
from tests.bench.results import Results, UnderCondition

P99_REAL_TIME_MS, P99_OTHERWISE_MS = 0.05, 5.0
ABOVE_FLOOR = 1.5
TIMES_BETTER = 100
LAG_P99_MS = 5.0
# A whole strip may be off by no more than a single exposure may.
DRIFT_MS = P99_REAL_TIME_MS
BOTH_MIB, KEEPER_MIB, IDLE_SHARE, READY_MS = 60.0, 15.0, 0.005, 1000.0


@dataclass(frozen=True, slots=True)
class Goal:
    """One goal; ``met`` is None where it could not be measured."""

    what: str
    wanted: str
    measured: str
    met: bool | None

    @property
    def verdict(self) -> str:
        """Met or not, in words."""
        return {True: "met", False: "NOT MET", None: "not measured"}[self.met]


def goals(results: Results) -> list[Goal]:
    """Return all goals for what ``results`` has."""
    found: list[Goal] = []
    for one in results.conditions:
        found += _exactness(one)
    found += _against_ways(results)
    found += _footprint(results)
    for death in results.deaths:
        figures = death.summary
        worst = None if figures is None else figures.worst
        found.append(
            _at_most(f"{death.fault}: lamp off, worst", worst, death.promised_ms, "ms", digits=1)
        )
    return found


def _at_most(what: str, measured: float | None, most: float, unit: str, *, digits: int = 3) -> Goal:
    wanted = f"<= {most:g} {unit}"
    if measured is None:
        return Goal(what, wanted, "-", None)
    return Goal(what, wanted, f"{measured:.{digits}f} {unit}", measured <= most)


def _exactness(one: UnderCondition) -> Iterator[Goal]:
    name, real_time = one.condition.name, one.treadle.real_time
    ours = summary(errors(one.treadle.exposures))
    if ours is None:
        yield Goal(f"{name}: exposures", "some", "none", False)
        return
    p99_ms = P99_REAL_TIME_MS if real_time else P99_OTHERWISE_MS
    yield _at_most(f"{name}: on-time error, p99", ours.p99, p99_ms, "ms", digits=4)
    yield from _against_floor(name, ours, one.treadle.floor.summary)
    lag = summary(one.treadle.lags_ms)
    yield _at_most(
        f"{name}: pedal to lamp, p99", None if lag is None else lag.p99, LAG_P99_MS, "ms"
    )
    if (strips := drift(one.treadle.exposures)) is not None:
        after = abs(strips.after)
        yield _at_most(
            f"{name}: a strip's sum after {len(strips.grows)} passes, median off by",
            after, DRIFT_MS if real_time else P99_OTHERWISE_MS, "ms", digits=4,
        )  # fmt: skip


def _against_floor(name: str, ours: Summary, floor: Summary | None) -> Iterator[Goal]:
    shares: tuple[tuple[str, float, float | None, int], ...] = (
        (
            "share > 0.1 ms",
            ours.share_above_tenth,
            None if floor is None else floor.share_above_tenth,
            ours.above_tenth,
        ),
        (
            "share > 1 ms",
            ours.share_above_one,
            None if floor is None else floor.share_above_one,
            ours.above_one,
        ),
    )
    for what, mine, theirs, count in shares:
        if theirs is None:
            yield Goal(f"{name}: {what}", f"<= {ABOVE_FLOOR:g} x cyclictest", "-", None)
            continue
        most = ABOVE_FLOOR * theirs
        # One exposure more or less is all that such a count can tell.
        expected = f"; {most * ours.n:.1f} allowed" if count else ""
        yield Goal(
            f"{name}: {what}",
            f"<= {most:.3%}",
            f"{mine:.3%} ({count} of {ours.n}{expected})",
            mine <= most,
        )
    if floor is None:
        yield Goal(f"{name}: worst", f"<= {ABOVE_FLOOR:g} x cyclictest", "-", None)
    else:
        yield _at_most(f"{name}: worst", ours.worst, ABOVE_FLOOR * floor.worst, "ms")


def _against_ways(results: Results) -> Iterator[Goal]:
    for one in results.conditions:
        ours = summary(errors(one.treadle.exposures))
        theirs = [
            (figures.p99, way)
            for way, found in one.ways.items()
            if (figures := summary(errors(found))) is not None
        ]
        if one.condition.name != BUSY or ours is None or not theirs:
            continue
        best, way = min(theirs)
        times = best / ours.p99 if ours.p99 else float("inf")
        yield Goal(
            f"{BUSY}: better than the best general way ({way}), p99",
            f">= {TIMES_BETTER} times",
            f"{times:.0f} times",
            times >= TIMES_BETTER,
        )


def _footprint(results: Results) -> Iterator[Goal]:
    one = results.footprint
    if one is None:
        return
    both = one.daemon_mib + one.keeper_mib
    yield _at_most("daemon and keeper, resident", both, BOTH_MIB, "MiB", digits=1)
    yield _at_most("keeper, resident", one.keeper_mib, KEEPER_MIB, "MiB", digits=1)
    yield Goal(
        "keeper: modules of third parties",
        "none",
        ", ".join(one.foreign) or "none",
        not one.foreign,
    )
    yield Goal(
        f"daemon and keeper, idle for {one.idle_seconds:.0f} s",
        f"< {IDLE_SHARE:.1%} of a core",
        f"{one.idle_share:.2%}",
        one.idle_share < IDLE_SHARE,
    )
    ready_ms = median(one.ready_ms)
    yield _at_most("start to ready, median", ready_ms, READY_MS, "ms", digits=0)
