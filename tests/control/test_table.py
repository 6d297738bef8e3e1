"""Every state answers every input, and only five answers can light the lamp."""

from itertools import groupby, product

import pytest

from timer.control.control import Control
from timer.control.cues import Cue
from timer.control.table import TABLE, Input, State
from timer.keeper.protocol import Kind, Reason, Record

# The whole list; a sixth would need a reason of its own.
LIGHTS = {
    (State.DARK, Input.TAP),
    (State.DARK, Input.VIEW),
    (State.WAITING, Input.TAP),
    (State.HELD, Input.TAP),
    (State.PAUSING, Input.PAUSE_OVER),
}
LAMP_ORDERS = {"start_viewing", "start_pass"}
PAIRS = list(product(State, Input))
REPORTED = {Input.LAMP_ON, Input.LAMP_OFF, Input.ORDER_REFUSED, Input.ALARM}


def named(pair):
    return " / ".join(pair)


def rows_of_pairs():
    return {pair: list(rows) for pair, rows in groupby(TABLE, lambda r: (r.state, r.input))}


def test_every_input_in_every_state_has_an_answer():
    assert sorted(rows_of_pairs()) == sorted(PAIRS)


@pytest.mark.parametrize("pair", PAIRS, ids=named)
def test_the_last_answer_is_without_conditions_and_no_earlier_one_hides_it(pair):
    *earlier, last = rows_of_pairs()[pair]
    assert not last.conditions
    assert all(row.conditions for row in earlier)


def test_control_knows_every_action_and_condition_of_the_table():
    names = {row.action for row in TABLE} | {one for row in TABLE for one in row.conditions}
    assert {name for name in names if not callable(getattr(Control, f"_{name}", None))} == set()


def test_only_the_rows_meant_to_do_order_the_lamp_on():
    assert {(row.state, row.input) for row in TABLE if row.action in LAMP_ORDERS} == LIGHTS


def test_the_lamp_is_ordered_on_only_on_the_way_into_a_lit_state():
    lit = {row.goes_to for row in TABLE if row.action in LAMP_ORDERS}
    assert lit == {State.VIEWING, State.EXPOSING}


def test_every_way_out_of_a_lit_state_orders_off_or_was_told_of_off():
    dark = {row.action for row in TABLE if row.state in (State.VIEWING, State.EXPOSING)
            and row.goes_to not in (None, row.state)
            and row.input not in (Input.LAMP_OFF, Input.ORDER_REFUSED)}  # fmt: skip
    assert dark == {"order_off", "arm", "fault"}


@pytest.mark.parametrize("which", ["of the present order", "of an older order", "of no order"])
@pytest.mark.parametrize("pair", PAIRS, ids=named)
def test_a_real_control_takes_every_input_and_lights_only_where_meant(
    pair, which, brought_into, strip
):
    state, one = pair
    room = brought_into(state)
    status = room.control.status(room.now_ns)
    order = {"of the present order": 101, "of an older order": 7, "of no order": 0}[which]
    a_ns = status.on_since_ns or room.now_ns
    report = Record(Kind.ON, Reason.ORDERED, order, a_ns, room.now_ns)
    run = strip() if one is Input.ARM else room.armed
    already = len(room.keeper.orders)
    room.control.handle(one, room.now_ns, run=run, report=report if one in REPORTED else None)
    ordered = room.keeper.orders[already:]
    assert (Kind.EXPOSE in ordered or Kind.VIEW in ordered) == (pair in LIGHTS)
    room.wait(60.0)
    assert room.state in State


@pytest.mark.parametrize("state", [one for one in State if one not in (State.DARK, State.VIEWING)])
def test_viewing_is_refused_while_paper_may_be_out(state, brought_into):
    room = brought_into(state)
    asked_ns, already = room.now_ns, len(room.keeper.orders)
    assert not room.control.handle(Input.VIEW, room.now_ns)
    assert room.heard(asked_ns)[-1] == (0.0, Cue.REFUSED)
    assert room.state is state
    assert room.keeper.orders[already:] == []


@pytest.mark.parametrize("fault", [Input.KEEPER_LOST, Input.ALARM, Input.STUCK])
@pytest.mark.parametrize("state", list(State))
def test_a_fault_ends_in_fault_with_the_lamp_ordered_off_and_heard(state, fault, brought_into):
    room = brought_into(state)
    asked_ns, already = room.now_ns, len(room.keeper.orders)
    room.control.handle(fault, room.now_ns)
    assert room.state is State.FAULT
    assert Kind.OFF in room.keeper.orders[already:]
    assert room.cues(asked_ns)[-1] is (Cue.ALARM if fault is Input.ALARM else Cue.FAULT)
    assert room.control.status(room.now_ns).fault
