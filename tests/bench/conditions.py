"""What is going on while the lamp is timed, and what is exposed meanwhile."""

from dataclasses import dataclass

PASSES_OF_A_STRIP = 24


@dataclass(frozen=True, slots=True)
class Condition:
    """``inside`` loads run in the interpreter that times the lamp, ``outside`` ones beside it.

    ``one_by_one``: the general ways run one after the other, as each carries the
    load itself; else all four run at the same time, asleep for most of it.
    """

    name: str
    inside: tuple[str, ...] = ()
    outside: tuple[str, ...] = ()
    one_by_one: bool = True
    real_time: bool = True
    long_one: bool = False  # an exposure of 10 s, too

    @property
    def only_treadle(self) -> bool:
        """Whether the general ways are left out: they never ask for real-time scheduling."""
        return not self.real_time


BUSY = "busy interpreter"
CONDITIONS = (
    Condition("idle", one_by_one=False, long_one=True),
    Condition("all cores loaded", outside=("cores",), one_by_one=False),
    Condition(BUSY, inside=("greedy", "json")),
    Condition("SQLite writing", inside=("sqlite",)),
    Condition("50 listeners", outside=("listeners",)),
    Condition("10,000 requests/s", outside=("requests",)),
    Condition(
        "all loads together",
        inside=("greedy", "json", "sqlite"),
        outside=("cores", "listeners", "requests"),
        long_one=True,
    ),
    Condition("idle, no real time", real_time=False),
    Condition("all cores loaded, no real time", outside=("cores",), real_time=False),
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """``passes`` exposures of ``seconds`` each, made on one sheet: a strip, or one print."""

    passes: int
    seconds: float

    @property
    def programme(self) -> str:
        """The sheet as a programme's text."""
        if self.passes == 1:
            return f'treadle = 1\nname = "bench"\n[print]\nbase_s = {self.seconds}\n# end\n'
        return (
            f'treadle = 1\nname = "bench"\n[strip]\npatches = {self.passes}\nway = "separate"\n'
            f'first_s = {self.seconds}\nrepeat = true\nadvance = "pedal"\n# end\n'
        )


@dataclass(frozen=True, slots=True)
class Amount:
    """How much is measured: exposures of Treadle and of a general way, tries, seconds.

    What takes longer than its ``longest_seconds`` under a condition ends early.
    """

    treadle: tuple[Sheet, ...]
    treadle_longest_seconds: float
    general: tuple[Sheet, ...]
    general_longest_seconds: float
    deaths: int
    idle_seconds: float
    starts: int

    def of_treadle(self, condition: Condition) -> tuple[Sheet, ...]:
        """Return what Treadle exposes under ``condition``."""
        if not condition.real_time:
            return self.treadle[: len(self.treadle) // 3]  # its errors are large: fewer will do
        return (*self.treadle, Sheet(1, 10.0)) if condition.long_one else self.treadle


def _sheets(strips: int, halves: int, ones: int) -> tuple[Sheet, ...]:
    # The longer ones first, so that they are there where time is up before the end.
    return (
        *(Sheet(passes, seconds) for passes, seconds in ((halves, 0.5), (ones, 1.0)) if passes),
        *(Sheet(PASSES_OF_A_STRIP, 0.1) for _ in range(strips)),
    )


FULL = Amount(
    treadle=_sheets(42, 4, 2),
    treadle_longest_seconds=400.0,
    general=_sheets(4, 2, 2),
    general_longest_seconds=20.0,
    deaths=50,
    idle_seconds=60.0,
    starts=5,
)
QUICK = Amount(
    treadle=_sheets(2, 2, 1),
    treadle_longest_seconds=20.0,
    general=_sheets(1, 1, 0),
    general_longest_seconds=5.0,
    deaths=5,
    idle_seconds=20.0,
    starts=3,
)
