"""The state machine as data: every input in every state has one row that answers it.

Read a row as: in this state, at this input, if all these conditions hold, do
this action and be in that state. Rows of one state and input are tried from
the top. The diagram and the table in the contributor's guide are made from it.
"""

from enum import StrEnum
from typing import NamedTuple


class State(StrEnum):
    """What the printer sees."""

    DARK = "dark"  # lamp off, paper put away
    VIEWING = "viewing"  # lamp on to compose and focus
    PAPER_OUT = "paper out"  # lamp off, unprotected paper may be about, nothing armed
    PREPARING = "preparing"  # the record of what is armed is being written
    WAITING = "waiting"  # a pass is armed; the pedal starts it
    PAUSING = "pausing"  # the dark between two passes of a strip, counted down
    EXPOSING = "exposing"  # lamp on for a pass
    HOLDING = "holding"  # the foot is down: the pass was stopped by it
    HELD = "held"  # a pass was stopped; the pedal continues it
    ENDING = "ending"  # a pass was given up: until lamp off and foot up
    DONE = "done"  # all passes made; the sheet is on its way to the tray
    FAULT = "fault"  # something failed; lamp off, nothing starts


class Input(StrEnum):
    """Everything that can happen to the machine."""

    PRESS = "press"  # pedal: the foot comes down
    TAP = "tap"  # pedal: up again after a short press
    BRUSH = "brush"  # pedal: up again sooner than any foot, a spike on the wire
    LONG = "long"  # pedal: down for as long as giving up takes
    AGAIN = "again"  # pedal: up again after a long press
    LEAVE = "leave"  # pedal: up again after a very long press
    STUCK = "stuck"  # pedal: down for longer than any foot would
    ARM = "arm"
    VIEW = "view"
    DARK = "go dark"
    PAPER_OUT = "take paper out"
    PAPER_AWAY = "put paper away"
    CLEAR = "clear"
    STORED = "stored"
    NOT_STORED = "not stored"
    PAUSE_OVER = "pause over"
    PAUSE_MISSED = "pause missed"  # the machine stood still as the pause ended
    LAMP_ON = "lamp on"
    LAMP_OFF = "lamp off"
    ORDER_REFUSED = "order refused"
    KEEPER_LOST = "keeper lost"
    ALARM = "alarm"


class Row(NamedTuple):
    """One answer; ``goes_to`` None is to stay; conditions and actions are the control's methods."""

    state: State
    input: Input
    goes_to: State | None
    action: str
    conditions: tuple[str, ...] = ()


S, I = State, Input  # noqa: E741 -- a table is read down its columns

_MOVES: tuple[Row, ...] = (
    Row(S.DARK, I.TAP, S.VIEWING, "start_viewing"),
    Row(S.DARK, I.VIEW, S.VIEWING, "start_viewing"),
    Row(S.DARK, I.AGAIN, S.PREPARING, "arm_last_again", ("has_last",)),
    Row(S.DARK, I.ARM, S.PREPARING, "arm"),
    Row(S.DARK, I.PAPER_OUT, S.PAPER_OUT, "note"),
    Row(S.DARK, I.PAPER_AWAY, None, "note"),
    Row(S.DARK, I.DARK, None, "order_off"),
    Row(S.VIEWING, I.TAP, S.DARK, "order_off"),
    Row(S.VIEWING, I.AGAIN, S.DARK, "order_off"),
    Row(S.VIEWING, I.LEAVE, S.DARK, "order_off"),
    Row(S.VIEWING, I.VIEW, None, "note"),
    Row(S.VIEWING, I.ARM, S.PREPARING, "arm"),
    Row(S.VIEWING, I.DARK, S.DARK, "order_off"),
    Row(S.VIEWING, I.PAPER_OUT, S.PAPER_OUT, "order_off"),
    Row(S.VIEWING, I.LAMP_ON, None, "schedule_view_warning"),
    Row(S.VIEWING, I.LAMP_OFF, S.DARK, "note_off", ("is_present_order",)),
    Row(S.VIEWING, I.ORDER_REFUSED, S.FAULT, "fault", ("is_present_order",)),
    Row(S.PAPER_OUT, I.AGAIN, S.PREPARING, "arm_last_again", ("has_last",)),
    Row(S.PAPER_OUT, I.LEAVE, S.DARK, "note_paper_away"),
    Row(S.PAPER_OUT, I.ARM, S.PREPARING, "arm"),
    Row(S.PAPER_OUT, I.PAPER_OUT, None, "note"),
    Row(S.PAPER_OUT, I.PAPER_AWAY, S.DARK, "note_paper_away"),
    Row(S.PAPER_OUT, I.DARK, None, "order_off"),
    Row(S.PREPARING, I.STORED, S.WAITING, "get_ready", ("is_present_sheet",)),
    Row(S.PREPARING, I.NOT_STORED, S.PAPER_OUT, "tell_not_stored", ("is_present_sheet",)),
    Row(S.PREPARING, I.LEAVE, S.PAPER_OUT, "give_up"),
    Row(S.PREPARING, I.DARK, S.PAPER_OUT, "give_up"),
    Row(S.PREPARING, I.PAPER_OUT, None, "note"),
    Row(S.WAITING, I.TAP, S.EXPOSING, "start_pass"),
    Row(S.WAITING, I.AGAIN, S.PREPARING, "arm_pass_again", ("has_earlier_pass",)),
    Row(S.WAITING, I.LEAVE, S.PAPER_OUT, "give_up"),
    Row(S.WAITING, I.DARK, S.PAPER_OUT, "give_up"),
    Row(S.WAITING, I.ARM, S.PREPARING, "arm", ("nothing_exposed",)),
    Row(S.WAITING, I.PAPER_OUT, None, "note"),
    Row(S.WAITING, I.LAMP_ON, S.EXPOSING, "begin_pass", ("is_latched_order",)),
    Row(S.WAITING, I.PAPER_AWAY, S.DARK, "give_up", ("nothing_exposed",)),
    Row(S.PAUSING, I.PRESS, S.HOLDING, "stop_counting"),
    Row(S.PAUSING, I.PAUSE_OVER, S.EXPOSING, "start_pass"),
    Row(S.PAUSING, I.PAUSE_MISSED, S.HELD, "hold_at_pause"),
    Row(S.PAUSING, I.DARK, S.PAPER_OUT, "give_up"),
    Row(S.PAUSING, I.PAPER_OUT, None, "note"),
    Row(S.EXPOSING, I.PRESS, S.HOLDING, "order_off", ("pedal_holds",)),
    Row(S.EXPOSING, I.TAP, None, "note"),
    Row(S.EXPOSING, I.LONG, S.ENDING, "order_off"),
    Row(S.EXPOSING, I.AGAIN, None, "note"),
    Row(S.EXPOSING, I.LEAVE, None, "note"),
    Row(S.EXPOSING, I.DARK, S.ENDING, "order_off"),
    Row(S.EXPOSING, I.PAPER_OUT, None, "note"),
    Row(S.EXPOSING, I.LAMP_ON, None, "begin_pass", ("is_present_order",)),
    Row(
        S.EXPOSING,
        I.LAMP_OFF,
        S.PAUSING,
        "pause",
        ("is_present_order", "is_complete", "has_next_pass", "next_is_by_count"),
    ),
    Row(
        S.EXPOSING,
        I.LAMP_OFF,
        S.WAITING,
        "wait_for_next",
        ("is_present_order", "is_complete", "has_next_pass"),
    ),
    Row(S.EXPOSING, I.LAMP_OFF, S.DONE, "finish", ("is_present_order", "is_complete")),
    Row(S.EXPOSING, I.LAMP_OFF, S.HELD, "hold", ("is_present_order",)),
    Row(S.EXPOSING, I.ORDER_REFUSED, S.FAULT, "fault", ("is_present_order",)),
    Row(S.HOLDING, I.TAP, S.WAITING, "wait_for_next", ("is_complete", "has_next_pass")),
    Row(S.HOLDING, I.TAP, S.DONE, "finish", ("is_complete",)),
    Row(S.HOLDING, I.TAP, S.HELD, "tell_held"),
    Row(S.HOLDING, I.BRUSH, S.WAITING, "wait_for_next", ("is_complete", "has_next_pass")),
    Row(S.HOLDING, I.BRUSH, S.DONE, "finish", ("is_complete",)),
    Row(S.HOLDING, I.BRUSH, S.HELD, "tell_held"),
    Row(S.HOLDING, I.LONG, S.ENDING, "order_off"),
    Row(S.HOLDING, I.AGAIN, S.HELD, "tell_held"),
    Row(S.HOLDING, I.LEAVE, S.HELD, "tell_held"),
    Row(S.HOLDING, I.DARK, S.ENDING, "order_off"),
    Row(S.HOLDING, I.PAPER_OUT, None, "note"),
    Row(S.HOLDING, I.LAMP_ON, None, "begin_pass", ("is_present_order",)),
    Row(S.HOLDING, I.LAMP_OFF, None, "end_period", ("is_present_order",)),
    Row(S.HOLDING, I.ORDER_REFUSED, S.FAULT, "fault", ("is_present_order",)),
    Row(S.HELD, I.TAP, S.WAITING, "wait_for_next", ("lamp_is_off", "is_complete", "has_next_pass")),
    Row(S.HELD, I.TAP, S.DONE, "finish", ("lamp_is_off", "is_complete")),
    Row(S.HELD, I.TAP, S.EXPOSING, "start_pass", ("lamp_is_off",)),
    Row(S.HELD, I.LONG, S.ENDING, "order_off"),
    Row(S.HELD, I.DARK, S.PAPER_OUT, "give_up", ("lamp_is_off",)),
    Row(S.HELD, I.DARK, S.ENDING, "order_off"),
    Row(S.HELD, I.PAPER_OUT, None, "note"),
    Row(S.HELD, I.LAMP_ON, S.EXPOSING, "begin_pass", ("is_latched_order",)),
    Row(S.HELD, I.LAMP_ON, None, "begin_pass", ("is_present_order",)),
    Row(
        S.HELD,
        I.LAMP_OFF,
        S.WAITING,
        "wait_for_next",
        ("is_present_order", "is_complete", "has_next_pass"),
    ),
    Row(S.HELD, I.LAMP_OFF, S.DONE, "finish", ("is_present_order", "is_complete")),
    Row(S.HELD, I.LAMP_OFF, None, "end_period", ("is_present_order",)),
    Row(S.HELD, I.ORDER_REFUSED, S.FAULT, "fault", ("is_present_order",)),
    Row(S.ENDING, I.TAP, S.PAPER_OUT, "give_up", ("lamp_is_off",)),
    Row(S.ENDING, I.TAP, None, "note"),
    Row(S.ENDING, I.BRUSH, S.PAPER_OUT, "give_up", ("lamp_is_off",)),
    Row(S.ENDING, I.AGAIN, S.PAPER_OUT, "give_up", ("lamp_is_off",)),
    Row(S.ENDING, I.AGAIN, None, "note"),
    Row(S.ENDING, I.LEAVE, S.PAPER_OUT, "give_up", ("lamp_is_off",)),
    Row(S.ENDING, I.LEAVE, None, "note"),
    Row(S.ENDING, I.DARK, S.PAPER_OUT, "give_up", ("lamp_is_off", "foot_is_up")),
    Row(S.ENDING, I.DARK, None, "order_off"),
    Row(S.ENDING, I.PAPER_OUT, None, "note"),
    Row(S.ENDING, I.LAMP_ON, None, "begin_pass", ("is_present_order",)),
    Row(S.ENDING, I.LAMP_OFF, S.PAPER_OUT, "give_up", ("is_present_order", "foot_is_up")),
    Row(S.ENDING, I.LAMP_OFF, None, "end_period", ("is_present_order",)),
    Row(S.ENDING, I.ORDER_REFUSED, S.FAULT, "fault", ("is_present_order",)),
    Row(S.DONE, I.TAP, S.PREPARING, "arm_last_again"),
    Row(S.DONE, I.AGAIN, S.PREPARING, "arm_pass_again", ("has_earlier_pass",)),
    Row(S.DONE, I.LEAVE, S.DARK, "put_away"),
    Row(S.DONE, I.ARM, S.PREPARING, "arm"),
    Row(S.DONE, I.PAPER_OUT, None, "note"),
    Row(S.DONE, I.PAPER_AWAY, S.DARK, "put_away"),
    Row(S.DONE, I.DARK, None, "order_off"),
    Row(S.FAULT, I.LEAVE, S.HELD, "clear_held", ("is_mended", "has_begun_pass")),
    Row(S.FAULT, I.LEAVE, S.WAITING, "clear_waiting", ("is_mended", "has_run")),
    Row(S.FAULT, I.LEAVE, S.PAPER_OUT, "clear", ("is_mended",)),
    Row(S.FAULT, I.CLEAR, S.HELD, "clear_held", ("is_mended", "has_begun_pass")),
    Row(S.FAULT, I.CLEAR, S.WAITING, "clear_waiting", ("is_mended", "has_run")),
    Row(S.FAULT, I.CLEAR, S.PAPER_OUT, "clear", ("is_mended",)),
    Row(S.FAULT, I.CLEAR, None, "refuse"),
    Row(S.FAULT, I.NOT_STORED, None, "put_away", ("is_present_sheet",)),
    Row(S.FAULT, I.STORED, None, "note_stored", ("is_present_sheet",)),
    Row(S.FAULT, I.DARK, None, "order_off"),
    Row(S.FAULT, I.LAMP_ON, None, "begin_pass_in_fault", ("is_present_order",)),
    Row(S.FAULT, I.LAMP_OFF, None, "end_period", ("is_present_order",)),
    Row(S.FAULT, I.ORDER_REFUSED, None, "fault", ("is_present_order",)),
    Row(S.FAULT, I.KEEPER_LOST, None, "fault"),
    Row(S.FAULT, I.ALARM, None, "fault"),
    Row(S.FAULT, I.STUCK, None, "fault"),
)

# From wherever it is, the machine goes to fault at these.
_FAULTS = (I.KEEPER_LOST, I.ALARM, I.STUCK)

# What answers where no row above does. A lamp that reports to be on where no
# state wants it to be is ordered off.
_OTHERWISE = {
    I.PRESS: "note",
    I.LONG: "note",
    I.STORED: "close_stray",
    I.NOT_STORED: "note",
    I.PAUSE_OVER: "note",
    I.PAUSE_MISSED: "note",
    I.BRUSH: "note",
    I.LAMP_ON: "order_off",
    I.LAMP_OFF: "note_off",
    I.ORDER_REFUSED: "note_off",
    I.CLEAR: "note",
}


def _complete() -> tuple[Row, ...]:
    rows = []
    for state in State:
        for one in Input:
            mine = [row for row in _MOVES if (row.state, row.input) == (state, one)]
            if one in _FAULTS and state is not State.FAULT:
                mine.append(Row(state, one, State.FAULT, "fault"))
            if not mine or mine[-1].conditions:
                mine.append(Row(state, one, None, _OTHERWISE.get(one, "refuse")))
            rows += mine
    return tuple(rows)


TABLE: tuple[Row, ...] = _complete()
