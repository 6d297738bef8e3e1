"""A darkroom without devices: invented time, a faithful keeper, a record, an ear."""

from collections.abc import Callable
from dataclasses import dataclass, field
from heapq import heappop, heappush
from itertools import count

import pytest

from timer.clock import to_ns
from timer.control.control import Control, ControlSettings
from timer.control.cues import Cue
from timer.control.ports import Status
from timer.control.run import Run
from timer.control.table import Input, State
from timer.foot import Foot, PedalGrammar, PedalTimes
from timer.keeper.protocol import Kind, Reason, Record
from timer.photo.prints import Print
from timer.photo.strips import Strip
from timer.programmes.model import Advance, Programme

EVENING_NS = to_ns(5000.0)
_INPUT_OF = {
    Kind.ON: Input.LAMP_ON,
    Kind.WENT_OFF: Input.LAMP_OFF,
    Kind.REFUSED: Input.ORDER_REFUSED,
    Kind.ALARM: Input.ALARM,
}


@dataclass(frozen=True)
class Period:
    """One time for which the lamp was on."""

    on_ns: int
    off_ns: int
    viewing: bool

    @property
    def seconds(self) -> float:
        return (self.off_ns - self.on_ns) / 1e9


class Agenda:
    """What will happen, and the hand of the invented clock."""

    def __init__(self) -> None:
        self.now_ns = EVENING_NS
        self._sequence = count()
        self._due: list[tuple[int, int, Callable[[], None]]] = []

    def put(self, after_ns: int, what: Callable[[], None]) -> None:
        heappush(self._due, (self.now_ns + after_ns, next(self._sequence), what))

    @property
    def next_ns(self) -> int | None:
        return self._due[0][0] if self._due else None

    def pop(self) -> Callable[[], None]:
        return heappop(self._due)[2]


class FakeKeeper:
    """The lamp port, with the keeper behind it as the real one behaves.

    One order at a time, in their order; off by the deadline, ``overrun_ns`` late;
    reports in order, ``report_ns`` after what they tell. A keeper that has died
    leaves the lamp as it was.
    """

    def __init__(self, agenda: Agenda, tell: Callable[[Record], None]) -> None:
        self._agenda = agenda
        self._tell = tell
        self.order_ns = 0
        self.report_ns = 0
        self.overrun_ns = 0
        self.refuses: Reason | None = None
        self.is_well = True
        self.orders: list[Kind] = []
        self.lit_since_ns: int | None = None
        self.lit_by: Kind | None = None
        self.periods: list[Period] = []
        self.unheard: list[Record] = []
        self.unread: list[int] = []  # orders to switch on that it has yet to read
        self.offs_on_their_way = 0
        self.hears_pedal = False
        self.latched: tuple[int, int, int] | None = None
        self.begun_by_foot = 0
        self._pressed_ns = 0
        self._grammar = PedalGrammar(PedalTimes(), self._foot, lambda *_: None)
        self._number = 100
        self._present = 0
        self._life = 0

    def expose(self, duration_ns: int, latched: int = 0) -> int:
        if latched and latched == self.begun_by_foot:
            return latched
        self.latched = None
        return self._order(Kind.EXPOSE, duration_ns)

    def latch(self, duration_ns: int, from_ns: int) -> int:
        if not self.hears_pedal or not self.is_well:
            return 0
        self._number += 1
        number, life = self._number, self._life

        def obey() -> None:
            if life == self._life:
                self.latched = (number, duration_ns, from_ns)

        self._agenda.put(self.order_ns, obey)
        return number

    def dismiss(self, latched: int) -> bool:
        self.orders.append(Kind.DISMISS)
        self.latched = None
        self._end(self._present, Reason.ORDERED, self._life)
        return latched != self.begun_by_foot

    def edge(self, down: bool) -> None:
        """Hear the foot, before the daemon does."""
        self._grammar.wake(self._agenda.now_ns)
        self._grammar.edge(down, self._agenda.now_ns)

    def _foot(self, foot: Foot, at_ns: int) -> None:
        if foot is Foot.PRESS:
            self._pressed_ns = at_ns
            if self.lit_by is Kind.EXPOSE:
                self._end(self._present, Reason.FOOT, self._life)
        elif foot is Foot.TAP and self.latched is not None and self.lit_by is None:
            number, duration_ns, from_ns = self.latched
            if self._pressed_ns >= from_ns:
                self.latched, self.begun_by_foot = None, number
                self.unread.append(number)
                self._obey_on(Kind.EXPOSE, number, duration_ns, self._life)

    def view(self, limit_ns: int) -> int:
        return self._order(Kind.VIEW, limit_ns)

    def off(self) -> None:
        self.orders.append(Kind.OFF)
        if self.is_well:
            life = self._life
            self.offs_on_their_way += 1
            self._agenda.put(self.order_ns, lambda: self._obey_off(life))

    def _order(self, kind: Kind, duration_ns: int) -> int:
        self.orders.append(kind)
        if not self.is_well:
            return 0
        self._number += 1
        number, life = self._number, self._life
        self.unread.append(number)
        self._agenda.put(self.order_ns, lambda: self._obey_on(kind, number, duration_ns, life))
        return number

    def _obey_on(self, kind: Kind, number: int, duration_ns: int, life: int) -> None:
        if life != self._life:
            return
        self.unread.remove(number)
        refusal = self.refuses
        if self.lit_since_ns is not None:
            refusal = Reason.BUSY
        elif duration_ns <= 0:
            refusal = Reason.BAD_ORDER
        if refusal is not None:
            self._report(Record(Kind.REFUSED, refusal, number))
            return
        self.lit_since_ns, self.lit_by, self._present = self._agenda.now_ns, kind, number
        self._report(Record(Kind.ON, order=number, a_ns=self.lit_since_ns))
        why = Reason.COMPLETE if kind is Kind.EXPOSE else Reason.LIMIT
        self._agenda.put(duration_ns + self.overrun_ns, lambda: self._end(number, why, life))

    def _obey_off(self, life: int) -> None:
        if life == self._life:
            self.latched = None
            self.offs_on_their_way -= 1
            self._end(self._present, Reason.ORDERED, life)

    def _end(self, number: int, why: Reason, life: int) -> None:
        if life != self._life or number != self._present or self.lit_since_ns is None:
            return
        on_ns = self.lit_since_ns
        self._go_dark()
        self._report(Record(Kind.WENT_OFF, why, number, on_ns, self._agenda.now_ns))

    def _go_dark(self) -> None:
        if self.lit_since_ns is not None:
            viewing = self.lit_by is Kind.VIEW
            self.periods.append(Period(self.lit_since_ns, self._agenda.now_ns, viewing))
        self.lit_since_ns, self.lit_by, self._present = None, None, 0

    def _report(self, record: Record) -> None:
        life = self._life
        self.unheard.append(record)

        def arrive() -> None:
            if life == self._life:
                self._tell(self.unheard.pop(0))

        self._agenda.put(self.report_ns, arrive)

    def fail(self, why: Reason) -> None:
        """Switch off for a reason of its own, as where no beats are heard."""
        self._end(self._present, why, self._life)

    def alarm(self, why: Reason) -> None:
        self._report(Record(Kind.ALARM, why, self._present))

    def die(self) -> None:
        """End, with the lamp left as it is; what it has told is still there to be heard."""
        self.is_well = False
        self.latched = None
        self._life += 1
        self.offs_on_their_way = 0
        self.unread.clear()

    def be_forced_off(self) -> None:
        """Have the line forced off from outside, and start anew."""
        self._go_dark()
        self.is_well = True


@dataclass
class FakeRecord:
    """The record port: remembers what was written; ``answers`` where it is told to."""

    agenda: Agenda
    answer: Callable[[Input, Run], None]
    stores: bool | None = True  # None: answers only when asked by hand
    store_ns: int = 0
    wrote: list[tuple[object, ...]] = field(default_factory=list)
    sheets: int = 0
    waiting: list[Run] = field(default_factory=list)

    def open_sheet(self, run: Run) -> None:
        self._answer(run, opens=True)

    def repeat_pass(self, run: Run) -> None:
        self.wrote.append(("repeat", run.sheet, run.present.number))
        self._answer(run, opens=False)

    def _answer(self, run: Run, *, opens: bool) -> None:
        self.waiting.append(run)
        if self.stores is not None:
            ok = self.stores
            self.agenda.put(self.store_ns, lambda: self._answer_unless_by_hand(run, ok))

    def _answer_unless_by_hand(self, run: Run, ok: bool) -> None:
        if any(one is run for one in self.waiting):
            self.answer_for(run, ok)

    def answer_for(self, run: Run, ok: bool) -> None:
        self.waiting = [one for one in self.waiting if one is not run]
        if ok and run.sheet is None:
            self.sheets += 1
            run.sheet = self.sheets
            self.wrote.append(("open", run.sheet))
        self.answer(Input.STORED if ok else Input.NOT_STORED, run)

    def paper(self, is_out: bool) -> None:
        self.paper_is_out = is_out

    def begin_pass(self, sheet: int, number: int, order: int, at_ns: int) -> None:
        self.wrote.append(("begin", sheet, number, at_ns))

    def mark(self, sheet: int, number: int, received_ns: int) -> None:
        self.wrote.append(("mark", sheet, number, received_ns))

    def add_period(self, sheet: int, number: int, on_ns: int, off_ns: int) -> None:
        self.wrote.append(("period", sheet, number, on_ns, off_ns))

    def bound_pass(self, sheet: int, number: int, least_ns: int, most_ns: int) -> None:
        self.wrote.append(("bound", sheet, number, least_ns, most_ns))

    def end_pass(self, sheet: int, number: int, outcome: str) -> None:
        self.wrote.append(("end", sheet, number, outcome))

    def close_sheet(self, sheet: int, outcome: str) -> None:
        self.wrote.append(("close", sheet, outcome))

    def of(self, what: str) -> list[tuple[object, ...]]:
        """Return what was written of one kind, without the word for it."""
        return [one[1:] for one in self.wrote if one[0] == what]


class Ear:
    """The listener port."""

    def __init__(self) -> None:
        self.cues: list[tuple[int, Cue, str | None]] = []
        self.statuses: list[Status] = []

    def cue(self, cue: Cue, at_ns: int, label: str | None) -> None:
        self.cues.append((at_ns, cue, label))

    def status(self, status: Status) -> None:
        self.statuses.append(status)


class Darkroom:
    """Control with all of the above; it drives time from one thing that is due to the next."""

    def __init__(
        self,
        settings: ControlSettings | None = None,
        *,
        resumed: Run | None = None,
        paper_is_out: bool = False,
        recovered: str | None = None,
    ) -> None:
        self.agenda = Agenda()
        self.keeper = FakeKeeper(self.agenda, self._take)
        self.record = FakeRecord(self.agenda, self._stored)
        self.ear = Ear()
        self.armed: Run | None = None
        self.control = Control(
            self.keeper,
            self.record,
            self.ear,
            settings or ControlSettings(),
            resumed=resumed,
            paper_is_out=paper_is_out,
            recovered=recovered,
        )

    def _take(self, report: Record) -> None:
        self.control.handle(_INPUT_OF[report.kind], self.now_ns, report=report)

    def _stored(self, answer: Input, run: Run) -> None:
        self.control.handle(answer, self.now_ns, run=run)

    # Time.

    @property
    def now_ns(self) -> int:
        return self.agenda.now_ns

    def wait(self, seconds: float) -> None:
        self.wait_ns(to_ns(seconds))

    def wait_ns(self, duration_ns: int) -> None:
        """Let time pass, and all that falls into it happen at its own instant."""
        until_ns = self.now_ns + duration_ns
        while True:
            ours, theirs = self.control.next_wake_ns, self.agenda.next_ns
            due = [at_ns for at_ns in (ours, theirs) if at_ns is not None and at_ns <= until_ns]
            if not due:
                break
            self.agenda.now_ns = max(self.now_ns, min(due))
            # As in the daemon: what came in is heard before control looks at its clock.
            if theirs is not None and theirs <= self.now_ns:
                self.agenda.pop()()
            else:
                self.control.wake(self.now_ns)
        self.agenda.now_ns = until_ns

    # The foot.

    def press(self) -> None:
        if self.keeper.hears_pedal:
            self.keeper.edge(True)
        self.control.edge(True, self.now_ns)

    def lift(self) -> None:
        if self.keeper.hears_pedal:
            self.keeper.edge(False)
        self.control.edge(False, self.now_ns)
        self.wait_ns(0)

    def tap(self) -> None:
        self._step_on(0.2)

    def long_press(self) -> None:
        self._step_on(1.2)

    def very_long_press(self) -> None:
        self._step_on(3.0)

    def _step_on(self, seconds: float) -> None:
        self.press()
        self.wait(seconds)
        self.lift()

    # The rest.

    def say(self, one: Input, *, run: Run | None = None) -> bool:
        """Give an input at this instant, and let what it brings at once happen."""
        taken = self.control.handle(one, self.now_ns, run=run)
        self.wait_ns(0)
        return taken

    def arm(self, run: Run) -> Run:
        self.armed = run
        assert self.say(Input.ARM, run=run)
        self.wait(1.0)
        return run

    def lose_keeper(self, *, noticed_after: float = 0.0, told: bool = True) -> None:
        """Have the keeper die; the daemon notices, forces the line off and tells control.

        Where it had not yet ``told`` of what it did last, no one will ever hear of it.
        """
        self.keeper.die()
        self.wait(noticed_after)
        unheard, self.keeper.unheard = self.keeper.unheard, []
        for report in unheard if told else ():
            self._take(report)
        self.keeper.be_forced_off()
        self.say(Input.KEEPER_LOST)

    @property
    def state(self) -> State:
        return self.control.state

    @property
    def is_lit(self) -> bool:
        return self.keeper.lit_since_ns is not None

    def heard(self, since_ns: int = 0) -> list[tuple[float, Cue]]:
        """Return the cues since an instant: seconds after it, and which."""
        return [((at - since_ns) / 1e9, cue) for at, cue, _ in self.ear.cues if at >= since_ns]

    def cues(self, since_ns: int = 0) -> list[Cue]:
        return [cue for _, cue in self.heard(since_ns)]

    @property
    def exposures(self) -> list[Period]:
        return [one for one in self.keeper.periods if not one.viewing]


def strip_run(advance: Advance = Advance.COUNT) -> Run:
    """Return a strip of three passes of 5 s, with 4 s of dark in between."""
    strip = Strip(3, first_seconds=5.0, repeat=True)
    return Run(Programme("Gate", strip=strip, advance=advance, pause_seconds=4.0), 1)


def print_run(base_seconds: float = 5.0) -> Run:
    """Return a print of a base alone."""
    return Run(Programme("Gate", print=Print(base_seconds)), 1)


def bring_into(state: State) -> Darkroom:
    """Return a darkroom in ``state``, by the way that a printer gets there."""
    room = Darkroom()
    if state is State.DARK:
        return room
    if state is State.VIEWING:
        room.tap()
    elif state is State.PAPER_OUT:
        room.say(Input.PAPER_OUT)
    else:
        _bring_run_into(state, room)
    assert room.state is state
    return room


def _bring_run_into(state: State, room: Darkroom) -> None:
    if state is State.PREPARING:
        room.record.stores = None
    room.arm(print_run() if state is State.DONE else strip_run())
    if state in (State.PREPARING, State.WAITING):
        return
    room.tap()
    if state in (State.DONE, State.PAUSING):
        room.wait(6.0)
        return
    room.wait(1.0)
    if state is State.FAULT:
        room.lose_keeper()
    elif state in (State.HOLDING, State.ENDING):
        room.press()
        room.wait(0.3 if state is State.HOLDING else 1.0)
    elif state is State.HELD:
        room.tap()


@pytest.fixture
def room() -> Darkroom:
    return Darkroom()


@pytest.fixture(scope="session")
def darkroom() -> type[Darkroom]:
    """For a darkroom with settings of its own."""
    return Darkroom


@pytest.fixture(scope="session")
def strip() -> Callable[..., Run]:
    return strip_run


@pytest.fixture(scope="session")
def plain_print() -> Callable[..., Run]:
    return print_run


@pytest.fixture(scope="session")
def brought_into() -> Callable[[State], Darkroom]:
    return bring_into
