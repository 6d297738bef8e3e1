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

    @property
    def only_treadle(self) -> bool:
        """Whether the general ways are left out: they never ask for real-time scheduling."""
        return not self.real_time


BUSY = "busy interpreter"
CONDITIONS = (
    Condition("idle", one_by_one=False),
    Condition("all cores loaded", outside=("cores",), one_by_one=False),
    Condition(BUSY, inside=("greedy", "json")),
    Condition("SQLite writing", inside=("sqlite",)),
    Condition("50 listeners", outside=("listeners",)),
    Condition("10,000 requests/s", outside=("requests",)),
    Condition(
        "all loads together",
        inside=("greedy", "json", "sqlite"),
        outside=("cores", "listeners", "requests"),
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
    """How much is measured: exposures of Treadle and of a general way, tries, seconds."""

    treadle: tuple[Sheet, ...]
    general: tuple[Sheet, ...]
    deaths: int
    idle_seconds: float
    starts: int
    longest_seconds: float  # a condition that takes Treadle longer than this ends early


def _sheets(strips: int, halves: int, ones: int, tens: int) -> tuple[Sheet, ...]:
    return (
        *(Sheet(PASSES_OF_A_STRIP, 0.1) for _ in range(strips)),
        *((Sheet(halves, 0.5),) if halves else ()),
        *((Sheet(ones, 1.0),) if ones else ()),
        *(Sheet(1, 10.0) for _ in range(tens)),
    )


FULL = Amount(_sheets(41, 10, 6, 1), _sheets(6, 4, 2, 0), 50, 60.0, 10, 300.0)
QUICK = Amount(_sheets(3, 2, 1, 0), _sheets(1, 2, 1, 0), 6, 20.0, 3, 30.0)
