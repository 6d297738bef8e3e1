"""Running a programme: the table brought to life. No device, no thread, no clock in here.

Whoever drives it calls :meth:`Control.handle` for what happens and
:meth:`Control.wake` when :attr:`Control.next_wake_ns` has come; all times are
nanoseconds of the one monotonic clock.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import count

from transitions import Machine

from timer.clock import NS_PER_SECOND, to_ns
from timer.control.cues import Cue, TimedCue, cues_of_pass, cues_of_pause
from timer.control.intent import FootIntent
from timer.control.ports import LampPort, ListenerPort, RecordPort, Status
from timer.control.run import Run
from timer.control.table import TABLE, Input, State
from timer.foot import Foot, PedalGrammar, PedalTimes
from timer.keeper.protocol import Kind, Reason, Record

MARK_NS = NS_PER_SECOND // 2
# What is left below this is not worth a switching of the lamp.
SHORTEST_REST_NS = NS_PER_SECOND // 1000
_ALARM_AGAIN_NS = to_ns(3.0)

FAULT_TEXTS = {
    Reason.LAMP_WRITE_FAILED: "the lamp's line could not be switched; check its wiring and driver",
    Reason.LAMP_STAYS_ON: "the lamp stays on after off; pull the enlarger's plug",
    Reason.LAMP_STAYS_OFF: "the lamp stays off after on; check its bulb, plug, wiring and driver",
    Reason.PEDAL_FAILED: "the pedal can't be read; check its wiring and driver",
    Reason.SENSE_FAILED: "the lamp's sense contact can't be read; check its wiring",
    Reason.MUST_COOL: "the lamp was on for as long as lamp.most_per_hour_s allows; let it cool",
    Reason.TOO_LONG: "the keeper refused an exposure as too long; raise lamp.longest_s",
    Reason.BUSY: "the keeper refused an order since the lamp was on",
    Reason.SILENT: "the service stood still for a moment and nothing was exposed; clear and go on",
    Reason.BAD_ORDER: "the keeper refused an order that it could not read",
}

_FAULT_INPUTS = {
    Input.KEEPER_LOST: "the keeper failed and the lamp was forced off",
    Input.ALARM: "the lamp does not do what it is told; pull the enlarger's plug",
    Input.STUCK: "the pedal stays down; lift the foot or free the pedal",
    Input.ORDER_REFUSED: "the keeper refused an order",
}


@dataclass(frozen=True, slots=True)
class ControlSettings:
    """The owner's choices, in nanoseconds where they are times.

    What is due for longer than ``late_ns`` fell into a standstill of the
    machine. ``again_ns``: two taps within this time are one tap of a foot that
    bounced, where the second would expose.
    """

    viewing_limit_ns: int = to_ns(180.0)
    viewing_warning_ns: int = to_ns(15.0)
    pedal_holds: bool = True
    pedal_times: PedalTimes = PedalTimes()  # noqa: RUF009 -- a tuple: it can't change
    late_ns: int = to_ns(0.25)
    again_ns: int = to_ns(0.7)


# What ends the wait for a tap: it may come from elsewhere, and must not cross with one.
_ENDS_THE_WAIT = {
    State.WAITING: frozenset({Input.ARM, Input.DARK, Input.PAPER_AWAY, Input.AGAIN, Input.LEAVE}),
    State.HELD: frozenset({Input.DARK, Input.LONG}),
}

# Cues that count: of no use late.
_COUNTING = frozenset({Cue.TICK, Cue.FIFTH, Cue.COUNT, Cue.DODGE_COUNT})


class _Model:
    """Holds the state for the machine, which adds its own methods to it."""

    state: State


class Control:
    """The state machine with its pedal, its cues and its present run."""

    def __init__(
        self,
        lamp: LampPort,
        record: RecordPort,
        listener: ListenerPort,
        settings: ControlSettings,
        *,
        resumed: Run | None = None,
        paper_is_out: bool = False,
        recovered: str | None = None,
    ) -> None:
        self._lamp = lamp
        self._record = record
        self._listener = listener
        self._settings = settings
        self._pedal = PedalGrammar(settings.pedal_times, self._from_pedal, self._crossed)
        self._run = None if paper_is_out else resumed
        self._last = resumed
        self._wanted: Run | None = None
        self._recovered = recovered
        self._fault_shown: str | None = None
        self._fault_text = ""
        self._fault_is_keepers = False
        self._fault_is_alarm = False
        self._order_is_refused = False
        self._ordered_ns: int | None = None  # None: not before it is heard to be on
        self._order = 0
        self._latched = 0  # the order that a tap starts in the keeper itself
        self._lit_unasked_ns: int | None = None  # since when the lamp may have burned by itself
        self._alarm_ns: int | None = None  # when the alarm sounds next
        self._on_ns: int | None = None
        self._ends_ns: int | None = None
        self._report: Record | None = None
        self._stored: Run | None = None
        self._refused = False
        self._now_ns = 0
        self._intent = FootIntent(settings.again_ns)
        self._paper_is_out = paper_is_out
        self._due: list[tuple[int, int, TimedCue | Input | None]] = []
        self._sequence = count()
        self._model = _Model()
        self._machine = Machine(
            model=self._model,
            states=State,
            initial=self._first_state(paper_is_out),
            auto_transitions=False,
            transitions=[
                {
                    "trigger": row.input.name,
                    "source": row.state,
                    "dest": row.goes_to,
                    "conditions": [getattr(self, f"_{name}") for name in row.conditions],
                    "after": getattr(self, f"_{row.action}"),
                }
                for row in TABLE
            ],
        )

    def _first_state(self, paper_is_out: bool) -> State:
        if self._run is not None:
            return State.HELD
        return State.PAPER_OUT if paper_is_out else State.DARK

    # What the driver calls.

    @property
    def state(self) -> State:
        """The present state."""
        return self._model.state

    @property
    def is_in_pass(self) -> bool:
        """Whether an order now under way is a pass, and not viewing."""
        return self._run is not None and self.state is not State.VIEWING

    @property
    def next_wake_ns(self) -> int | None:
        """When :meth:`wake` has something to do; None where only an input can bring it."""
        due = [self._due[0][0]] if self._due else []
        if self._alarm_ns is not None:
            due.append(self._alarm_ns)
        if self._pedal.next_wake_ns is not None:
            due.append(self._pedal.next_wake_ns)
        return min(due, default=None)

    def handle(
        self,
        one: Input,
        at_ns: int,
        *,
        run: Run | None = None,
        report: Record | None = None,
        fault: str | None = None,
    ) -> bool:
        """Take an input; False where the present state refuses it.

        ARM carries the ``run`` that is wanted, STORED and NOT_STORED the one
        that was written, the keeper's inputs its ``report``, a fault its text.
        """
        self._now_ns = at_ns
        self._report = report
        self._refused = False
        if one is Input.ARM:
            self._wanted = run
        elif one in (Input.STORED, Input.NOT_STORED):
            self._stored = run
        if one in _FAULT_INPUTS:
            reason = Reason.NONE if report is None else report.reason
            self._fault_text = fault or FAULT_TEXTS.get(reason, _FAULT_INPUTS[one])
            self._fault_is_keepers = one is Input.KEEPER_LOST
            self._fault_is_alarm = one is Input.ALARM
            self._order_is_refused = one is Input.ORDER_REFUSED
        before = self.state
        if self._latched and one in _ENDS_THE_WAIT.get(before, ()):
            if not self._lamp.dismiss(self._latched):
                # A foot was quicker. The lamp goes off again, and its reports are on their way.
                if one is not Input.DARK:
                    self._refuse()
                return one is Input.DARK
            self._latched = 0
        self._model.trigger(one.name)  # type: ignore[attr-defined]
        if self.state is not before:
            self._intent.state_changed(at_ns)
            self._tell_paper()
            if before is State.FAULT:
                self._latched, self._alarm_ns = 0, None
        self._tend_latch()
        if self.state is not before or not self._refused:
            self._listener.status(self.status(at_ns))
        return not self._refused

    def _tend_latch(self) -> None:
        """Have a tap start the present pass in the keeper itself, as long as one may start it."""
        run = self._run
        if self._latched:
            if self.state not in (*_ENDS_THE_WAIT, State.FAULT):
                self._lamp.off()
                self._latched = 0
        elif (
            self.state in _ENDS_THE_WAIT
            and run is not None
            and self._lamp_is_off()
            and not self._is_complete()
        ):
            self._latched = self._lamp.latch(run.left_ns, self._intent.from_ns)

    def _tell_paper(self) -> None:
        """Have it written whether paper may be out: a restart must not forget it."""
        paper_is_out = self.state not in (State.DARK, State.VIEWING)
        if paper_is_out is not self._paper_is_out:
            self._paper_is_out = paper_is_out
            self._record.paper(paper_is_out)

    def edge(self, down: bool, at_ns: int, *, is_stale: bool = False) -> None:
        """Take a raw edge of the pedal; one that ``is_stale`` stops, but starts nothing."""
        if is_stale:
            self._intent.forget()
        self._pedal.edge(down, at_ns)
        if is_stale:
            self._intent.forget()  # the press of this very edge, too

    def wake(self, now_ns: int) -> None:
        """Do all that has become due."""
        self._pedal.wake(now_ns)
        if self._alarm_ns is not None and self._alarm_ns <= now_ns:
            self._now_ns = now_ns
            self._sound_alarm()
        while self._due and self._due[0][0] <= now_ns:
            at_ns, _, what = heappop(self._due)
            is_late = now_ns - at_ns > self._settings.late_ns
            if isinstance(what, TimedCue):
                if is_late and what.cue in _COUNTING:
                    continue  # a count that comes in one burst counts nothing
                self._now_ns = at_ns
                if self._run is not None and self._on_ns is not None:
                    self._run.told_ns = what.after_ns
                self._say(what.cue, what.label)
            elif isinstance(what, Input):
                missed = is_late and what is Input.PAUSE_OVER
                self.handle(Input.PAUSE_MISSED if missed else what, now_ns if missed else at_ns)
            else:
                self._mark(at_ns)

    def status(self, at_ns: int) -> Status:
        """Return all that can be shown at this moment."""
        run = self._run
        if run is None:
            return Status(
                self.state,
                at_ns,
                on_since_ns=self._on_ns,
                ends_ns=self._ends_ns,
                fault=self._fault_shown,
            )
        one = run.present
        return Status(
            state=self.state,
            at_ns=at_ns,
            programme=run.programme.name,
            version=run.version,
            sheet=run.sheet,
            pass_number=one.number,
            passes=len(run.passes),
            kind=one.kind,
            label=one.label,
            filter=one.filter,
            intended_ns=one.intended_ns,
            received_ns=run.received_ns,
            on_since_ns=self._on_ns,
            ends_ns=self._ends_ns,
            hands=self._hands(run),
            fault=self._fault_shown,
            recovered=self._recovered,
        )

    def _hands(self, run: Run) -> str | None:
        """Return what the hands do next."""
        if self.state is State.DONE:
            return None
        if self.state is State.EXPOSING:
            # The hands are busy with this pass; what they do next belongs to the one after.
            return run.following.hands if run.following is not None else None
        if run.begun:
            return "leave paper and card as they are"
        hands = run.present.hands
        return f"once more, on the same sheet: {hands}" if run.is_repeated else hands

    # The pedal.

    def _from_pedal(self, foot: Foot, at_ns: int) -> None:
        one = Input(foot.value)
        if one is Input.STUCK:
            self._intent.forget()  # lifting such a foot means nothing
        if one is Input.PRESS:
            self._intent.pressed(at_ns)
        elif one is not Input.STUCK and not self._intent.is_meant(one, self.state):
            self._now_ns = at_ns
            if one in (Input.TAP, Input.AGAIN, Input.LEAVE):
                self._say(Cue.REFUSED)
            return
        before = self.state
        self.handle(one, at_ns)
        if self.state is State.PREPARING and before is not State.PREPARING:
            self._intent.armed(at_ns)

    def _crossed(self, very_long: bool, at_ns: int) -> None:
        self._now_ns = at_ns
        self._say(Cue.FOOT_VERY_LONG if very_long else Cue.FOOT_LONG)

    # Conditions of the table.

    def _has_last(self) -> bool:
        return self._last is not None

    def _has_run(self) -> bool:
        run = self._run
        return (
            run is not None
            and run.sheet is not None
            and not (run.closed or run.finished or run.awaits_store or run.is_spoilt)
        )

    def _has_begun_pass(self) -> bool:
        return self._has_run() and self._run is not None and self._run.begun

    def _has_earlier_pass(self) -> bool:
        return self._pass_to_repeat() is not None

    def _has_next_pass(self) -> bool:
        return self._run is not None and self._run.following is not None

    def _next_is_by_count(self) -> bool:
        following = self._run.following if self._run else None
        return following is not None and following.pause_ns is not None

    def _nothing_exposed(self) -> bool:
        return self._run is None or not self._run.exposed

    def _is_present_order(self) -> bool:
        report = self._report
        return report is not None and 0 != report.order in (self._order, self._latched)

    def _is_latched_order(self) -> bool:
        report = self._report
        return report is not None and 0 != report.order == self._latched

    def _is_present_sheet(self) -> bool:
        return self._stored is not None and self._stored is self._run

    def _is_complete(self) -> bool:
        run = self._run
        # A pass that has had no light is not complete, however short it is.
        return (
            run is not None
            and run.begun
            and self._received_with_report(run) >= run.present.intended_ns - SHORTEST_REST_NS
        )

    def _lamp_is_off(self) -> bool:
        return self._order == 0

    def _foot_is_up(self) -> bool:
        return not self._pedal.foot_is_down

    def _pedal_holds(self) -> bool:
        return self._settings.pedal_holds

    def _is_mended(self) -> bool:
        # An order still under way first tells what it did: it belongs to the pass.
        return self._lamp.is_well and self._foot_is_up() and self._lamp_is_off()

    # Actions of the table.

    def _note(self) -> None:
        """Answer in silence."""

    def _note_off(self) -> None:
        if self._is_present_order():
            self._lamp_went_off()

    def _close_stray(self) -> None:
        """Close a sheet that was written for a run which has been given up meanwhile."""
        run = self._stored
        if run is None or run is self._run or run.sheet is None or run.closed:
            return
        run.closed = True
        self._record.close_sheet(run.sheet, run.outcome)

    def _refuse(self) -> None:
        self._refused = True
        self._say(Cue.REFUSED)

    def _order_off(self) -> None:
        self._unschedule()
        self._lamp.off()
        self._latched = 0

    def _start_viewing(self) -> None:
        self._order = self._lamp.view(self._settings.viewing_limit_ns)
        self._doubt_order()

    def _doubt_order(self) -> None:
        if self._order == 0:  # no keeper took it
            self._push(self._now_ns, Input.KEEPER_LOST)

    def _schedule_view_warning(self) -> None:
        if self._is_present_order() and self._report is not None:
            self._on_ns = self._report.a_ns
            # The keeper ends it sooner where the lamp must cool.
            self._ends_ns = self._report.b_ns or self._on_ns + self._settings.viewing_limit_ns
            warning_ns = self._ends_ns - self._settings.viewing_warning_ns
            self._schedule(warning_ns, (TimedCue(0, Cue.VIEWING_ENDS),))

    def _note_paper_away(self) -> None:
        self._run = None

    def _arm(self) -> None:
        self._open_sheet(self._wanted)

    def _arm_last_again(self) -> None:
        last = self._last
        self._open_sheet(None if last is None else Run(last.programme, last.version, last.passes))

    def _open_sheet(self, run: Run | None) -> None:
        if run is None:  # the table lets no one come here without a run
            raise RuntimeError("nothing to arm")
        self._lamp.off()
        self._lamp_went_off()  # whatever viewing still had to tell is void
        self._recovered = None
        self._close_sheet()
        self._run = self._last = run
        run.awaits_store = True
        self._record.open_sheet(run)

    def _arm_pass_again(self) -> None:
        index = self._pass_to_repeat()
        if self._run is None or index is None:
            raise RuntimeError("no pass to repeat")
        self._run.go_to(index)
        self._run.finished = False
        self._run.is_repeated = True
        self._run.awaits_store = True
        self._record.repeat_pass(self._run)

    def _pass_to_repeat(self) -> int | None:
        """Index of the last pass that was made: the present one when done, else the one before."""
        run = self._run
        if run is None or not run.exposed:
            return None
        if run.finished:
            return run.index
        return run.index - 1 if run.index else None

    def _get_ready(self) -> None:
        self._note_stored()
        self._say(Cue.READY)

    def _note_stored(self) -> None:
        if self._run is not None:
            self._run.awaits_store = False

    def _tell_not_stored(self) -> None:
        self._put_away()
        self._say(Cue.NOT_STORED)

    def _start_pass(self) -> None:
        self._unschedule()
        if self._run is not None:
            self._ordered_ns = self._now_ns
            self._recovered = None  # the rest is on its way: what was to be told of it is past
            self._order = self._lamp.expose(self._run.left_ns, self._latched)
            self._doubt_order()
            if self._order == 0 and self._latched:
                # No keeper takes it any more, but one may have begun it: its report would tell.
                self._order, self._ordered_ns = self._latched, None
            self._latched = 0

    def _begin_pass(self) -> None:
        run, report = self._run, self._report
        if run is None or run.sheet is None or report is None:
            return
        self._order, self._latched = report.order, 0
        self._on_ns = report.a_ns
        self._ends_ns = self._on_ns + run.left_ns
        self._note_begun(run, run.sheet, self._on_ns)
        if self.state is not State.FAULT:
            self._say(Cue.START, run.present.label)
        if self.state is State.EXPOSING:
            self._schedule_cues(run, self._on_ns)
            self._push(self._on_ns + MARK_NS, None)

    def _note_begun(self, run: Run, sheet: int, on_ns: int) -> None:
        """Note that the present order has lit the present pass."""
        run.begun = run.exposed = True
        run.lit_pass = run.present.number
        self._record.begin_pass(sheet, run.present.number, self._order, on_ns)

    def _schedule_cues(self, run: Run, on_ns: int) -> None:
        """Schedule what is still to be told of the pass, with the lamp on since ``on_ns``."""
        received_ns = run.received_ns
        if run.told_ns is None:
            # Of a pass that another daemon began it is not known what was told.
            run.told_ns = received_ns if received_ns else -1
        # Seen from here the pass began before all that it has received in earlier periods.
        began_ns = on_ns - received_ns
        for one in cues_of_pass(run.present):
            # What fell due between the order to stop and the dark is told now; but seconds
            # and counts would be told wrong, and at the very start they would hide its sound.
            if one.after_ns > received_ns or (
                one.after_ns > run.told_ns and one.cue in (Cue.DODGE, Cue.DODGE_OVER)
            ):
                self._push(max(on_ns, began_ns + one.after_ns), one)

    def _begin_pass_in_fault(self) -> None:
        self._lamp.off()
        self._begin_pass()

    def _mark(self, at_ns: int) -> None:
        run = self._run
        if self._on_ns is None or run is None or run.sheet is None:
            return
        received_ns = run.received_ns + at_ns - self._on_ns
        self._record.mark(run.sheet, run.present.number, received_ns)
        self._push(at_ns + MARK_NS, None)

    def _received_with_report(self, run: Run) -> int:
        """Return what the pass has received, with the reported period where it is not yet added."""
        report = self._report
        if report is None or report.kind is not Kind.WENT_OFF or report.order != self._order:
            return run.received_ns
        return run.received_ns + report.b_ns - report.a_ns

    def _end_period(self) -> None:
        """Add the measured period to what the pass has received."""
        run, report = self._run, self._report
        if run is not None and report is not None and self._is_present_order():
            run.lit_before_ns = run.received_ns
            run.received_ns = run.lit_ns = self._received_with_report(run)
            if run.sheet is not None:
                self._record.add_period(run.sheet, run.present.number, report.a_ns, report.b_ns)
        self._lamp_went_off()

    def _lamp_went_off(self) -> None:
        self._order, self._on_ns, self._ends_ns = 0, None, None
        self._unschedule()

    def _end_pass(self) -> None:
        if self._order:
            self._end_period()
        run = self._run
        if run is not None and run.sheet is not None:
            self._record.end_pass(run.sheet, run.present.number, "complete")
        self._say(Cue.END)

    def _pause(self) -> None:
        self._end_pass()
        run = self._run
        if run is None or run.following is None or run.following.pause_ns is None:
            return
        run.go_to(run.index + 1)
        pause_ns = run.present.pause_ns or 0
        # Counted from the instant at which it really became dark.
        dark_ns = self._report.b_ns if self._report else self._now_ns
        self._ends_ns = dark_ns + pause_ns
        self._schedule(dark_ns, cues_of_pause(pause_ns))
        self._push(dark_ns + pause_ns, Input.PAUSE_OVER)

    def _stop_counting(self) -> None:
        self._unschedule()
        self._ends_ns = None

    def _wait_for_next(self) -> None:
        self._end_pass()
        run = self._run
        if run is not None and run.following is not None:
            run.go_to(run.index + 1)
            self._say(Cue.MOVE_CARD if run.present.kind == "strip" else Cue.READY)

    def _finish(self) -> None:
        self._end_pass()
        if self._run is not None:
            self._run.finished = self._run.was_finished = True
        self._say(Cue.DONE)

    def _hold(self) -> None:
        self._end_period()
        self._say(Cue.HELD)

    def _hold_at_pause(self) -> None:
        self._stop_counting()
        self._say(Cue.HELD)

    def _tell_held(self) -> None:
        self._say(Cue.HELD)

    def _give_up(self) -> None:
        self._unschedule()
        if self._order:
            self._end_period()
        self._ends_ns = None
        run = self._run
        if run is not None and run.sheet is not None:
            if run.begun:
                self._record.end_pass(run.sheet, run.present.number, "given up")
            self._close_sheet()
        self._run = None
        self._recovered = None
        self._say(Cue.GIVEN_UP)

    def _close_sheet(self) -> None:
        """Close the present sheet in the record, if there is one that is open."""
        run = self._run
        if run is not None and run.sheet is not None and not run.closed:
            run.closed = True
            self._record.close_sheet(run.sheet, run.outcome)

    def _put_away(self) -> None:
        self._close_sheet()
        self._run = None

    def _fault(self) -> None:
        self._unschedule()
        self._lamp.off()
        if self._fault_is_keepers:
            self._end_period_without_keeper()
        elif self._order_is_refused:
            self._lamp_went_off()  # it never was on, and no report will come
        self._fault_shown = self._fault_text
        if self._fault_is_alarm:
            self._doubt_sheet()
            self._sound_alarm()
        else:
            self._say(Cue.FAULT)

    def _doubt_sheet(self) -> None:
        """Give up the present sheet where the lamp did not do as it was told."""
        run, reason = self._run, Reason.NONE if self._report is None else self._report.reason
        if run is None or run.is_spoilt:
            return
        if reason is Reason.LAMP_STAYS_OFF and run.exposed:
            run.is_spoilt = True
            self._bound_pass(run, run.lit_before_ns, run.lit_ns)
        elif reason in (Reason.LAMP_STAYS_ON, Reason.NONE):
            run.is_spoilt, self._lit_unasked_ns = True, self._now_ns

    def _bound_pass(self, run: Run, least_ns: int, most_ns: int) -> None:
        if run.sheet is not None and run.lit_pass is not None:
            self._record.bound_pass(run.sheet, run.lit_pass, least_ns, most_ns)

    def _sound_alarm(self) -> None:
        """Sound the alarm, now and again until it is cleared: the lamp may be on."""
        self._say(Cue.ALARM)
        self._alarm_ns = self._now_ns + _ALARM_AGAIN_NS

    def _end_period_without_keeper(self) -> None:
        """Add what the pass received until the lamp was forced off, which is now."""
        run = self._run
        # Without a report of on, the order's own instant is the earliest that on can have been.
        on_ns = self._ordered_ns if self._on_ns is None else self._on_ns
        if not (self._order and self.is_in_pass):
            on_ns = None
        if run is not None and run.sheet is not None and on_ns is not None:
            if not run.begun:
                self._note_begun(run, run.sheet, on_ns)
            before_ns = run.received_ns
            # As much as it can have been: a print that is a trifle too light beats one too dark.
            run.received_ns += self._now_ns - on_ns
            if self._on_ns is not None:
                self._record.add_period(run.sheet, run.present.number, on_ns, self._now_ns)
            else:
                self._bound_pass(run, before_ns, run.received_ns)
        self._lamp_went_off()

    def _clear_held(self) -> None:
        self._lamp.off()
        self._fault_shown = None
        self._say(Cue.HELD)

    def _clear_waiting(self) -> None:
        self._lamp.off()
        self._fault_shown = None
        self._say(Cue.READY)

    def _clear(self) -> None:
        # If the line can't go off, the keeper answers with an alarm: back to fault.
        self._lamp.off()
        self._fault_shown = None
        if self._lit_unasked_ns is not None and self._run is not None:
            # It burned until now at the longest, and nobody knows for how long.
            most_ns = self._run.lit_ns + self._now_ns - self._lit_unasked_ns
            self._bound_pass(self._run, self._run.lit_ns, most_ns)
        self._lit_unasked_ns = None
        self._put_away()

    # Cues and other things that come with time.

    def _say(self, cue: Cue, label: str | None = None) -> None:
        self._listener.cue(cue, self._now_ns, label)

    def _schedule(self, from_ns: int, cues: Iterable[TimedCue]) -> None:
        for one in cues:
            self._push(from_ns + one.after_ns, one)

    def _push(self, at_ns: int, what: TimedCue | Input | None) -> None:
        heappush(self._due, (at_ns, next(self._sequence), what))

    def _unschedule(self) -> None:
        self._due.clear()
