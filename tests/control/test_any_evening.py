"""Whatever happens, in whatever order: lamp on only where it may be, and all its light counted."""

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from timer.clock import to_ns
from timer.control.control import SHORTEST_REST_NS
from timer.control.table import Input, State
from timer.keeper.protocol import Kind, Reason
from timer.programmes.model import Advance

MS = 1_000_000
LIT_STATES = (State.VIEWING, State.EXPOSING)
ASKED = [Input.DARK, Input.PAPER_OUT, Input.PAPER_AWAY, Input.CLEAR, Input.VIEW]
LAGS_NS = st.sampled_from([0, 1, 2 * MS, 40 * MS])


class Evening(RuleBasedStateMachine):
    """A printer, a foot, a disk and a keeper that do anything at any time."""

    makers = None  # the darkroom, a strip and a print, as the fixtures make them

    @initialize(order_ns=LAGS_NS, report_ns=LAGS_NS, store_ns=LAGS_NS, overrun_ns=LAGS_NS)
    def begin(self, order_ns, report_ns, store_ns, overrun_ns):
        darkroom, self.strip, self.plain_print = self.makers
        self.room = room = darkroom()
        room.keeper.order_ns, room.keeper.report_ns = order_ns, report_ns
        room.keeper.overrun_ns, room.record.store_ns = overrun_ns, store_ns
        self.foot = False
        self.runs = []
        self.dead_ns = 0
        self.doubtful = 0

    # The printer.

    @rule(seconds=st.sampled_from([0.0, 0.01, 0.06, 0.5, 1.0, 2.0, 5.0, 20.0, 200.0]))
    def time_passes(self, seconds):
        self.room.wait(seconds)

    @rule(duration_ns=st.integers(0, 6000 * MS))
    def some_time_passes(self, duration_ns):
        self.room.wait_ns(duration_ns)

    @rule(seconds=st.sampled_from([0.06, 0.06, 0.2, 0.2, 1.2, 3.0]))
    def the_foot_presses(self, seconds):
        self.room.control.edge(True, self.room.now_ns)
        self.room.wait(seconds)
        self.room.control.edge(False, self.room.now_ns)
        self.foot = False

    @rule()
    def the_foot_comes_or_goes(self):
        self.foot = not self.foot
        self.room.control.edge(self.foot, self.room.now_ns)

    @rule(one=st.sampled_from(ASKED))
    def something_is_asked_for(self, one):
        self.room.control.handle(one, self.room.now_ns)

    @rule(kind=st.sampled_from(["strip by count", "strip by pedal", "print"]))
    def a_run_is_armed(self, kind):
        if kind == "print":
            run = self.plain_print()
        else:
            run = self.strip(Advance.PEDAL if kind == "strip by pedal" else Advance.COUNT)
        self.runs.append(run)
        self.room.control.handle(Input.ARM, self.room.now_ns, run=run)

    @precondition(lambda self: self.room.state in (State.DARK, State.PAPER_OUT, State.DONE))
    @rule(kind=st.sampled_from(["strip by count", "strip by pedal", "print"]))
    def a_run_is_armed_and_begun(self, kind):
        self.a_run_is_armed(kind)
        self.room.wait(0.1)
        self.the_foot_presses(0.1)

    @precondition(lambda self: self.room.state in (State.WAITING, State.HELD))
    @rule(seconds=st.sampled_from([0.3, 4.9, 5.0, 7.0]))
    def a_tap_goes_on(self, seconds):
        self.the_foot_presses(0.1)
        self.room.wait(seconds)

    @precondition(lambda self: self.room.state is State.FAULT)
    @rule()
    def the_fault_is_mended(self):
        self.room.keeper.refuses = None
        self.room.wait(0.1)
        self.room.control.handle(Input.CLEAR, self.room.now_ns)

    # What can go wrong.

    @rule(stores=st.sampled_from([True, True, False, None]))
    def the_disk_changes(self, stores):
        self.room.record.stores = stores

    @precondition(lambda self: self.room.record.stores is None and self.room.record.waiting)
    @rule(ok=st.booleans())
    def a_late_answer_comes(self, ok):
        self.answer_one(ok)

    def answer_one(self, ok):
        self.room.record.answer_for(self.room.record.waiting[0], ok)

    @rule(what=st.sampled_from(["death", "death late", "refusals", "no beats", "alarm"]))
    def something_fails(self, what):
        if what == "refusals":
            self.room.keeper.refuses = Reason.TOO_LONG
        elif what == "no beats":
            self.room.keeper.fail(Reason.BEATS_STOPPED)
        elif what == "alarm":
            self.room.keeper.alarm(Reason.LAMP_STAYS_ON)
        else:
            self.lose_keeper(0.0 if what == "death" else 1.0)

    def lose_keeper(self, seconds):
        # An order that it did not live to read is taken to have given light.
        self.doubtful += len(self.room.keeper.unread)
        self.dead_ns += to_ns(seconds) + self.room.keeper.order_ns
        orders = len(self.room.keeper.orders)
        self.room.lose_keeper(noticed_after=seconds)
        self.doubtful += sum(one is not Kind.OFF for one in self.room.keeper.orders[orders:])

    # What must hold, always.

    @invariant()
    def the_lamp_is_on_only_where_it_may_be_or_an_off_is_on_its_way(self):
        if self.room.state not in LIT_STATES and self.room.is_lit:
            assert self.room.keeper.offs_on_their_way

    @invariant()
    def the_viewing_light_is_on_only_while_viewing(self):
        if self.room.keeper.lit_by is Kind.VIEW and self.room.state is not State.VIEWING:
            assert self.room.keeper.offs_on_their_way

    @invariant()
    def no_pass_receives_more_than_was_meant(self):
        beyond_ns = self.room.keeper.overrun_ns + self.dead_ns
        for run in self.runs:
            assert run.received_ns <= run.present.intended_ns + beyond_ns
            if run.finished:
                assert run.received_ns >= run.present.intended_ns - SHORTEST_REST_NS

    @invariant()
    def the_record_has_the_light_that_the_lamp_gave(self):
        if self.room.is_lit or self.room.keeper.unheard:
            return
        gave = {(one.on_ns, one.off_ns) for one in self.room.exposures}
        wrote = [(on_ns, off_ns) for _, _, on_ns, off_ns in self.room.record.of("period")]
        assert len(wrote) == len(set(wrote))
        assert gave <= set(wrote)
        assert len(wrote) <= len(gave) + self.doubtful

    @invariant()
    def the_record_tells_a_story_that_can_be_true(self):
        opened, closed, begun = set(), set(), set()
        for what, sheet, *rest in self.room.record.wrote:
            assert sheet not in closed, f"{what} on sheet {sheet}, which is closed"
            if what == "open":
                opened.add(sheet)
            assert sheet in opened
            if what == "begin":
                begun.add((sheet, rest[0]))
            elif what in ("period", "mark", "end"):
                assert (sheet, rest[0]) in begun
            elif what == "close":
                closed.add(sheet)

    # And in the end the printer gets out of it all.

    def teardown(self):
        room = getattr(self, "room", None)
        if room is None:
            return
        room.keeper.refuses, room.record.stores = None, True
        room.wait(1.0)
        room.lift()
        room.wait(1.0)
        while room.record.waiting:
            self.answer_one(True)
        room.wait(300.0)
        if room.state is State.FAULT:
            assert room.say(Input.CLEAR)
        room.say(Input.DARK)
        room.wait(1.0)
        if room.state is not State.DARK:
            assert room.say(Input.PAPER_AWAY)
        assert room.state is State.DARK
        assert not room.is_lit
        room.tap()
        room.wait(1.0)
        assert room.is_lit


def test_any_evening(darkroom, strip, plain_print):
    class ThisEvening(Evening):
        makers = (darkroom, strip, plain_print)

    run_state_machine_as_test(
        ThisEvening,
        settings=settings(
            derandomize=True,
            deadline=None,
            max_examples=150,
            stateful_step_count=40,
            suppress_health_check=[HealthCheck.too_slow],
        ),
    )
