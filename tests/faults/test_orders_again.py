"""Orders that come once more, or too late; and a second keeper on the lamp's line."""

import pytest

from timer.clock import to_ns
from timer.keeper.protocol import Kind, Reason, Record, pack

from .enlarger_in_words import S
from .worked import PATIENCE_SECONDS

LONG_NS = to_ns(50.0)


@pytest.mark.fault(
    "orders",
    "An order comes once more when it has been carried out",
    happens="It is refused; the sheet is not exposed again.",
    guard="keeper: an order's number is above every one before it",
    within="",
    annex_h=("communication timing",),
)
@pytest.mark.parametrize("kind", [Kind.EXPOSE, Kind.VIEW], ids=lambda kind: kind.name)
def test_an_order_that_comes_once_more_is_not_carried_out_again(bench, keeper, kind):
    for _ in range(2):
        keeper.send(kind, 5, to_ns(0.05))
    assert keeper.hear(Kind.REFUSED)[1:3] == (Reason.BUSY, 5)
    keeper.hear(Kind.WENT_OFF)
    keeper.send(kind, 5, to_ns(0.05))
    assert keeper.hear(Kind.REFUSED)[1:3] == (Reason.BAD_ORDER, 5)
    assert sum(one.level for one in bench.history()) == 1
    keeper.send(kind, 6, to_ns(0.05))
    assert keeper.hear(Kind.WENT_OFF).order == 6


@pytest.mark.fault(
    "orders",
    "An order to expose comes after the order to go dark that followed it",
    happens="It is refused: the lamp stays off.",
    guard="keeper: an order's number is above every one before it",
    within="",
    annex_h=("communication timing",),
)
@pytest.mark.parametrize("kind", [Kind.EXPOSE, Kind.VIEW], ids=lambda kind: kind.name)
@pytest.mark.parametrize("off", [Kind.OFF, Kind.DISMISS], ids=lambda kind: kind.name)
def test_an_order_that_an_off_has_overtaken_is_refused(bench, keeper, kind, off):
    keeper.send(off, 8)
    keeper.send(kind, 7, LONG_NS)
    assert keeper.hear(Kind.REFUSED)[1:3] == (Reason.BAD_ORDER, 7)
    assert not any(one.level for one in bench.history())


def test_an_order_that_a_tap_has_begun_is_taken_once_and_not_refused(bench, keeper):
    """Control orders what it latched by the same number: that is no order that comes once more."""
    keeper.channel.send(pack(Record(Kind.LATCH, Reason.NONE, 9, to_ns(0.05), 0)))
    keeper.send(Kind.EXPOSE, 9, to_ns(0.05))
    assert keeper.hear(Kind.WENT_OFF).order == 9


@pytest.mark.fault(
    "orders",
    "A second keeper is started on the lamp's line in mid-exposure",
    happens="It is refused with a sentence before it touches the line.",
    guard="keeper: a line has one owner (the kernel's chip; a lock on the simulated line)",
    within="",
    annex_h=("digital I/O",),
)
def test_a_second_keeper_on_the_line_is_refused_and_the_first_goes_on(bench, keeper):
    on = keeper.expose(1.0)
    known = len(bench.history())
    second = bench.start(journal=bench.folder / "journal of another")
    assert second.process.wait(PATIENCE_SECONDS) != 0
    assert second.channel.recv(100) == b""  # it never said that it is ready
    said = second.said()
    assert said.count("\n") == 1
    assert "another keeper" in said
    off = keeper.hear(Kind.WENT_OFF)
    assert off.reason is Reason.COMPLETE
    assert off.b_ns - on.a_ns >= S
    assert {one.pid for one in bench.history()[known:]} == {keeper.pid}
    # When the first has left, however it ended, the next one has the line.
    keeper.process.kill()
    keeper.process.wait()
    bench.start(journal=bench.folder / "journal of another").ready()
