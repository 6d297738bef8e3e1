"""A control that is held against the enlarger in words after everything that happens to it."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from timer.control.control import Control, ControlSettings
from timer.control.run import Run
from timer.control.table import Input
from timer.keeper.protocol import Record
from timer.programmes.model import Advance

from ..control.conftest import Darkroom, print_run, strip_run
from .enlarger_in_words import BOUNCE, LIT, LONG, MS, PAPER_SAFE, STANDSTILL, Enlarger, Paper, S

# What a foot did longer ago than this starts nothing any more.
FRESH = S + BOUNCE
KINDS = ("strip by count", "strip by pedal", "print")


def programme(kind: str) -> tuple[Run, Paper]:
    """Return what is armed, and the same in words: three passes of 5 s and 4 s of dark."""
    if kind == "print":
        return print_run(), Paper(kind, [5 * S], [None])
    counted = kind == "strip by count"
    pauses = [None, 4 * S, 4 * S] if counted else [None] * 3
    return strip_run(Advance.COUNT if counted else Advance.PEDAL), Paper(kind, [5 * S] * 3, pauses)


@dataclass(frozen=True)
class Edge:
    """A raw edge of the pedal; ``stale``: heard long after it was."""

    down: bool
    at_ns: int
    heard_ns: int
    stale: bool


class Watched:
    """Stands before the control: passes all on, and compares what came of it."""

    def __init__(self, room: Darkroom, control: Control, words: Enlarger) -> None:
        self._room, self._control, self.words = room, control, words
        self.visited: Counter[str] = Counter()
        self.lit_for: Counter[str] = Counter()
        self.edges: list[Edge] = []
        self.sights: list[tuple[int, str]] = [(room.now_ns, "dark")]
        self._light: list[tuple[str, int, int]] = []
        self._went_off = False
        self._written: list[Run] = []
        self._next_paper: Paper | None = None
        words.keeper_is_well = lambda: room.keeper.is_well
        keeper, record = room.keeper, room.record
        expose, view, off = keeper.expose, keeper.view, keeper.off
        open_sheet, repeat_pass = record.open_sheet, record.repeat_pass

        def watch_expose(duration_ns: int, *more: int) -> int:
            self._light.append(("expose", duration_ns, number := expose(duration_ns, *more)))
            return number

        def watch_view(limit_ns: int) -> int:
            self._light.append(("view", limit_ns, number := view(limit_ns)))
            return number

        def watch_off() -> None:
            self._went_off = True
            off()

        def watch_open(run: Run) -> None:
            self._written.append(run)
            open_sheet(run)

        def watch_repeat(run: Run) -> None:
            self._written.append(run)
            repeat_pass(run)

        keeper.expose, keeper.view, keeper.off = watch_expose, watch_view, watch_off  # type: ignore[method-assign]
        record.open_sheet, record.repeat_pass = watch_open, watch_repeat  # type: ignore[method-assign]

    def __getattr__(self, name: str) -> object:
        return getattr(self._control, name)

    def will_arm(self, paper: Paper) -> None:
        """Take note of the paper that the next run to be armed is, in words."""
        self._next_paper = paper

    # What the darkroom calls.

    def edge(self, down: bool, at_ns: int, *, is_stale: bool = False) -> None:
        self._begin()
        self.edges.append(Edge(down, at_ns, self._room.now_ns, is_stale))
        self._control.edge(down, at_ns, is_stale=is_stale)
        self.words.edge(down, at_ns, stale=is_stale)
        self._compare(f"edge {down}")

    def wake(self, now_ns: int) -> None:
        self._begin()
        self._control.wake(now_ns)
        self.words.time(now_ns)
        self._compare("time")

    def handle(
        self, one: Input, at_ns: int, *, run: Run | None = None, report: Record | None = None
    ) -> bool:
        self._begin()
        taken = self._control.handle(one, at_ns, run=run, report=report)
        self._tell(one, at_ns, run, report)
        assert taken is self.words.agrees, f"{one}: {taken}"
        self._compare(one.value)
        return taken

    def _tell(self, one: Input, at_ns: int, run: Run | None, report: Record | None) -> None:
        words = self.words
        if one is Input.ARM:
            assert self._next_paper is not None
            words.arm(self._next_paper, at_ns)
        elif one in (Input.STORED, Input.NOT_STORED):
            words.written(run, one is Input.STORED, at_ns)
        elif one is Input.KEEPER_LOST:
            words.keeper_lost(at_ns)
        elif report is not None:
            order = report.order
            {
                Input.LAMP_ON: lambda: words.lamp_on(order, report.a_ns),
                Input.LAMP_OFF: lambda: words.lamp_off(order, report.a_ns, report.b_ns, at_ns),
                Input.ORDER_REFUSED: lambda: words.order_refused(order, at_ns),
                Input.ALARM: lambda: words.alarm(at_ns),
            }[one]()
        else:
            {
                Input.VIEW: words.view,
                Input.DARK: words.go_dark,
                Input.PAPER_OUT: words.paper_comes_out,
                Input.PAPER_AWAY: words.paper_goes_away,
                Input.CLEAR: words.clear,
            }[one](at_ns)

    # The comparison.

    def _begin(self) -> None:
        self.words.begin()
        self._light.clear()
        self._written.clear()
        self._went_off = False

    def _compare(self, what: str) -> None:
        words, now_ns = self.words, self._room.now_ns
        given = [(kind, duration_ns) for kind, duration_ns, _ in self._light]
        wanted = [(kind, duration_ns) for kind, duration_ns, _ in words.light]
        assert given == wanted, f"{what}: light {given}, not {wanted} ({words.light})"
        assert self._went_off or not words.goes_off, f"{what}: no off was ordered"
        for (kind, _, number), (*_, why) in zip(self._light, words.light, strict=True):
            words.order_was(number)
            self._ask_why(kind, why, what)
        assert len(self._written) == words.writes, f"{what}: written {len(self._written)} times"
        for run in self._written:
            assert words.paper is not None
            words.paper.name = run
        shown = self._control.status(now_ns)
        assert shown.state.value == words.where, f"{what}: {shown.state.value}, not {words.where}"
        assert (shown.fault is not None) == (words.where == "fault")
        if words.paper is None:
            assert shown.pass_number is None
        else:
            had = (words.paper.at + 1, words.paper.had)
            assert (shown.pass_number, shown.received_ns) == had, f"{what}: {had}"
        if self.sights[-1][1] != words.where:
            self.sights.append((now_ns, words.where))
        self.visited[words.where] += 1

    # What no model can excuse: the cause, from raw facts alone.

    def _ask_why(self, kind: str, why: str, what: str) -> None:
        """Find what a person did for this light; the edges and what was seen are all it knows."""
        self.lit_for[why] += 1
        seen, since_ns = self.sights[-1][1], self.sights[-1][0]
        now_ns = self._room.now_ns
        if kind == "view":
            assert seen == "dark", f"viewing out of {seen}"
            if what == "view":
                return
        elif seen == "pausing":
            over_ns = since_ns + 4 * S
            assert now_ns <= over_ns + STANDSTILL
            return
        else:
            assert seen in ("waiting", "held"), f"light out of {seen}"
        assert what in ("edge True", "edge False", "time"), f"light by {what}"
        assert self._was_a_step(since_ns, now_ns), "no foot tapped for it"

    def _was_a_step(self, since_ns: int, now_ns: int) -> bool:
        """Whether a foot came down since an instant and lifted soon after, a moment ago at most."""
        # What was to be seen changed by the edges' own stamps, however late they were heard.
        late_ns = max(one.heard_ns - one.at_ns for one in self.edges[-3:])
        fresh = [
            one for one in self.edges[-100:] if not one.stale and one.at_ns >= since_ns - late_ns
        ]
        lifts = [one.at_ns for one in fresh if not one.down and now_ns - one.at_ns <= FRESH]
        presses = [one.at_ns for one in fresh if one.down]
        return any(0 <= lift - press < LONG for lift in lifts for press in presses)


class WatchedDarkroom(Darkroom):
    """The control's darkroom, watched."""

    def __init__(self, settings: ControlSettings | None = None) -> None:
        super().__init__(settings)
        holds = settings is None or settings.pedal_holds
        self.watched = Watched(self, self.control, Enlarger(pedal_holds=holds))
        self.control = self.watched  # type: ignore[assignment]
        # Light of which a keeper that died could not tell everything.
        self.unsure_ns = 0

    @property
    def where(self) -> str:
        return self.watched.words.where

    def arm_kind(self, kind: str) -> None:
        run, paper = programme(kind)
        self.watched.will_arm(paper)
        self.control.handle(Input.ARM, self.now_ns, run=run)
        self.wait_ns(0)

    def ask(self, one: Input) -> None:
        self.control.handle(one, self.now_ns)
        self.wait_ns(0)

    def moves(self, edges: Iterable[tuple[int, bool]]) -> None:
        """Move the pedal's contact: after so many nanoseconds, down or up."""
        for after_ns, down in edges:
            self.wait_ns(after_ns)
            self.control.edge(down, self.now_ns)
            self.wait_ns(0)

    def stand_still(self, duration_ns: int, edges: Iterable[tuple[int, bool]] = ()) -> None:
        """Let the machine stand still; ``edges`` fall into it, so long after its beginning."""
        began_ns = self.now_ns
        self.agenda.now_ns += duration_ns
        # An order that it falls upon is taken to have been obeyed when it was given.
        self.unsure_ns += duration_ns
        for after_ns, down in edges:
            at_ns = began_ns + after_ns
            self.control.edge(
                down, at_ns, is_stale=self.now_ns - at_ns > S
            )  # as the daemon judges it
        self.wait_ns(0)

    # What must hold at every moment.

    def check(self) -> None:
        keeper = self.keeper
        if self.is_lit and self.where not in LIT:
            assert keeper.offs_on_their_way, f"the lamp is on in {self.where}"
        if keeper.lit_by is not None and keeper.lit_by.name == "VIEW" and self.where != "viewing":
            assert keeper.offs_on_their_way, "the viewing light is on elsewhere"
        paper_is_out = getattr(self.record, "paper_is_out", False)
        assert paper_is_out is (self.where not in PAPER_SAFE)

    def check_light(self) -> None:
        """What the record has of the sheet's light is what the lamp gave."""
        if self.is_lit or self.keeper.unheard or self.keeper.unread:
            return
        gave_ns = sum(one.off_ns - one.on_ns for one in self.exposures)
        wrote_ns = sum(off_ns - on_ns for _, _, on_ns, off_ns in self.record.of("period"))
        assert gave_ns <= wrote_ns <= gave_ns + self.unsure_ns


def brought_into(state: str) -> WatchedDarkroom:
    """Return a darkroom in ``state``, by the way that a printer gets there."""
    room = WatchedDarkroom()
    tap = milliseconds(100, 100)
    if state == "viewing":
        room.moves(tap)
    elif state == "paper out":
        room.ask(Input.PAPER_OUT)
    elif state != "dark":
        if state == "preparing":
            room.record.stores = None
        room.arm_kind("print" if state == "done" else "strip by count")
        room.wait(1.0)
        if state not in ("preparing", "waiting"):
            room.moves(tap)
            room.wait(6.0 if state in ("pausing", "done") else 1.0)
        if state in ("holding", "ending"):
            room.moves([(0, True)])
            room.wait(0.3 if state == "holding" else 1.0)
        elif state == "held":
            room.moves(tap)
        elif state == "fault":
            room.lose_keeper()
    assert room.where == state
    return room


def milliseconds(*gaps_ms: float, down: bool = True) -> list[tuple[int, bool]]:
    """Return edges that many milliseconds apart, the first of them ``down``."""
    return [(round(gap * MS), down == (number % 2 == 0)) for number, gap in enumerate(gaps_ms)]
