"""Any foot, printer, disk, keeper and clock, in any order: what the words say is what is done.

``TREADLE_EXAMPLES`` makes the evenings more than usual, and then each run has others.
"""

import os
import sys
from collections import Counter
from typing import ClassVar

import pytest
from hypothesis import HealthCheck, event, settings
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
from timer.control.control import ControlSettings
from timer.control.table import Input, State
from timer.keeper.protocol import Reason

from .enlarger_in_words import MS
from .watched import KINDS, WatchedDarkroom, milliseconds

EXAMPLES = 500
STEPS = 50
LAGS_NS = st.sampled_from([0, 0, 1, 2 * MS, 40 * MS, 150 * MS])
BRUSH_NS = st.one_of(st.integers(1, 8 * MS - 1), st.sampled_from([1, 8 * MS - 1]))
CAUSES = {
    "tap in the dark", "asked for", "tap while waiting", "tap while held", "the pause ended",
}  # fmt: skip


class AnyFoot(RuleBasedStateMachine):
    """An evening in which everything may happen."""

    visited: ClassVar[Counter[str]] = Counter()
    lit_for: ClassVar[Counter[str]] = Counter()
    steps: ClassVar[Counter[str]] = Counter()

    @initialize(
        order_ns=LAGS_NS, report_ns=LAGS_NS, store_ns=LAGS_NS, overrun_ns=LAGS_NS,
        holds=st.sampled_from([True, True, True, False]),
    )  # fmt: skip
    def begin(self, order_ns, report_ns, store_ns, overrun_ns, holds):
        self.room = room = WatchedDarkroom(ControlSettings(pedal_holds=holds))
        room.keeper.order_ns, room.keeper.report_ns = order_ns, report_ns
        room.keeper.overrun_ns, room.record.store_ns = overrun_ns, store_ns
        self.foot = False

    def on_foot(self, *gaps_ms, down=True):
        """Move the contact, and leave it up."""
        self.room.moves(milliseconds(*gaps_ms, down=down))
        self.foot = False

    # The foot.

    @rule(ms=st.sampled_from([60, 200, 200, 790]))
    def taps(self, ms):
        self.on_foot(0, ms)

    @rule(ms=st.sampled_from([810, 831, 1200, 2490]))
    def presses_long(self, ms):
        self.on_foot(0, ms)

    @rule(ms=st.sampled_from([2510, 3000, 3000, 14_000, 15_001, 40_000]))
    def presses_very_long_or_stays_down(self, ms):
        self.on_foot(0, ms)

    @rule()
    def comes_or_goes(self):
        self.foot = not self.foot
        self.room.moves([(0, self.foot)])

    @rule(after_ns=BRUSH_NS)
    def brushes(self, after_ns):
        self.room.moves([(0, True), (after_ns, False), (60 * MS, False)])
        self.foot = False

    @rule(
        gaps=st.lists(st.integers(1, 3 * MS), min_size=2, max_size=16).filter(
            lambda gaps: len(gaps) % 2 == 0
        ),
        held_ms=st.sampled_from([60, 200, 1000, 3000]),
    )
    def presses_with_a_contact_that_bounces(self, gaps, held_ms):
        chatter = [(gap, number % 2 == 1) for number, gap in enumerate(gaps)]
        lift = [(gap, not down) for gap, down in chatter]
        self.room.moves([(0, True), *chatter, (held_ms * MS, False), *lift])
        self.foot = False

    # The printer.

    @rule(seconds=st.sampled_from([0.0, 0.05, 0.5, 1.0, 2.0, 4.0, 5.0, 20.0, 200.0]))
    def time_passes(self, seconds):
        self.room.wait(seconds)

    @rule(kind=st.sampled_from(KINDS))
    def arms(self, kind):
        self.room.arm_kind(kind)

    @rule(
        one=st.sampled_from(
            [Input.VIEW, Input.DARK, Input.PAPER_OUT, Input.PAPER_AWAY, Input.CLEAR]
        )
    )
    def asks_for(self, one):
        self.room.ask(one)

    @precondition(lambda self: self.room.where in ("dark", "paper out", "done"))
    @rule(kind=st.sampled_from(KINDS), seconds=st.sampled_from([0.0, 0.3, 5.5, 6.0, 10.0, 30.0]))
    def arms_and_begins(self, kind, seconds):
        self.room.arm_kind(kind)
        self.room.wait(0.1)
        self.on_foot(0, 100)
        self.room.wait(seconds)

    @precondition(lambda self: self.room.where in ("waiting", "held"))
    @rule(seconds=st.sampled_from([0.3, 4.9, 5.0, 7.0, 30.0]))
    def goes_on(self, seconds):
        self.on_foot(0, 100)
        self.room.wait(seconds)

    @precondition(lambda self: self.room.where in ("exposing", "pausing"))
    @rule(seconds=st.sampled_from([4.0, 5.0, 9.0, 30.0]))
    def lets_it_run(self, seconds):
        self.room.wait(seconds)

    # Disk, keeper, machine.

    @rule(stores=st.sampled_from([True, True, False, None]), slow_ns=LAGS_NS)
    def the_disk_changes(self, stores, slow_ns):
        self.room.record.stores, self.room.record.store_ns = stores, 40 * slow_ns

    @precondition(lambda self: self.room.record.stores is None and self.room.record.waiting)
    @rule(ok=st.booleans())
    def the_disk_answers_at_last(self, ok):
        self.room.record.answer_for(self.room.record.waiting[0], ok)
        self.room.wait_ns(0)

    @precondition(lambda self: self.room.where != "fault")
    @rule(
        what=st.sampled_from(
            ["refuses", "switches off", "alarm", "dies", "dies", "dies untold", "dies slowly"]
        )
    )
    def the_keeper_fails(self, what):
        room = self.room
        if what == "refuses":
            room.keeper.refuses = Reason.TOO_LONG
        elif what == "switches off":
            room.keeper.fail(Reason.BEATS_STOPPED)
        elif what == "alarm":
            room.keeper.alarm(Reason.LAMP_STAYS_ON)
        else:
            seconds = 1.0 if what == "dies slowly" else 0.01
            room.unsure_ns += to_ns(seconds) + room.keeper.order_ns + room.keeper.report_ns
            room.lose_keeper(noticed_after=seconds, told=what != "dies untold")
        room.wait_ns(0)

    @precondition(lambda self: self.room.where == "fault")
    @rule()
    def the_fault_is_mended(self):
        self.room.keeper.refuses = None
        self.on_foot(100, down=False)
        self.room.wait(0.1)
        self.room.ask(Input.CLEAR)

    @precondition(lambda self: self.room.where == "fault")
    @rule()
    def clears_without_a_thought(self):
        self.room.ask(Input.CLEAR)

    @precondition(lambda self: self.room.where == "fault")
    @rule(ms=st.sampled_from([2600, 3000]))
    def the_fault_is_cleared_by_foot(self, ms):
        self.on_foot(100, down=False)
        self.on_foot(100, ms)

    @rule(
        ms=st.sampled_from([100, 300, 900, 3000, 20_000]),
        moves=st.lists(st.integers(60, 900), max_size=3),
    )
    def the_machine_stands_still(self, ms, moves):
        edges, at_ms = [], 0
        for gap_ms in moves:
            at_ms += gap_ms
            if at_ms <= ms:
                self.foot = not self.foot
                edges.append((at_ms * MS, self.foot))
        self.room.stand_still(ms * MS, edges)

    @precondition(lambda self: self.room.where == "pausing")
    @rule(ms=st.sampled_from([100, 3000, 4100, 4240, 4260, 5000, 20_000]))
    def the_machine_stands_still_in_a_pause(self, ms):
        self.room.stand_still(ms * MS)

    # What must hold after each.

    @invariant()
    def the_lamp_is_on_only_where_it_may_be(self):
        if hasattr(self, "room"):
            self.room.check()
            self.room.check_light()
            self.steps[self.room.where] += 1
            event(f"a step ended {self.room.where}")

    def teardown(self):
        room = getattr(self, "room", None)
        if room is None:
            return
        self.visited.update(room.watched.visited)
        self.lit_for.update(room.watched.lit_for)
        # In the end the printer gets out of it all.
        room.keeper.refuses, room.record.stores = None, True
        room.moves([(0, False)])
        room.wait(1.0)
        while room.record.waiting:
            room.record.answer_for(room.record.waiting[0], True)
        room.wait(300.0)
        if room.where == "fault":
            room.ask(Input.CLEAR)
        room.ask(Input.DARK)
        room.wait(1.0)
        if room.where != "dark":
            room.ask(Input.PAPER_AWAY)
        assert room.where == "dark"
        room.check_light()
        room.moves(milliseconds(100, 100))
        assert room.is_lit or room.keeper.order_ns


@pytest.mark.timeout(3600)
@pytest.mark.fault(
    "pedal",
    "Foot, printer, disk, keeper and clock do anything in any order",
    happens="The enlarger does what it says in words: light only by a tap, a pause that ended or "
    "viewing, never viewing while paper is out, each period in the record.",
    guard="control: its table, held against a second account of it",
    within="",
    annex_h=("interrupt handling", "program counter", "communication timing"),
)
def test_any_foot():
    class Tonight(AnyFoot):
        visited, lit_for, steps = Counter(), Counter(), Counter()

    asked = os.environ.get("TREADLE_EXAMPLES")
    run_state_machine_as_test(
        Tonight,
        settings=settings(
            derandomize=asked is None,
            database=None,
            deadline=None,
            max_examples=int(asked or EXAMPLES),
            stateful_step_count=STEPS,
            suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
        ),
    )
    for what in ("steps", "visited", "lit_for"):
        counted = getattr(Tonight, what)
        sys.stdout.write(f"{what}, {counted.total()}: {dict(counted.most_common())}\n")
    every = {state.value for state in State}
    assert set(Tonight.visited) == every
    assert set(Tonight.steps) >= every - {"holding", "ending"}
    assert set(Tonight.lit_for) == CAUSES
