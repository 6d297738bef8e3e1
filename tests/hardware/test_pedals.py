"""What every pedal promises, real or simulated."""

import time

import pytest

from hardware.errors import HardwareError


def test_a_pedal_at_rest_is_up(pedal_bench):
    assert not pedal_bench.pedal.is_down


def test_is_down_follows_the_foot(pedal_bench):
    pedal_bench.press()
    assert pedal_bench.pedal.is_down
    pedal_bench.lift()
    assert not pedal_bench.pedal.is_down


def test_the_watcher_is_told_of_both_edges(pedal_bench):
    edges = []
    pedal_bench.pedal.watch(edges.append)
    pedal_bench.press()
    pedal_bench.lift()
    assert [edge.down for edge in edges] == [True, False]


def test_each_edge_has_the_stamp_of_its_own_instant(pedal_bench):
    edges = []
    pedal_bench.pedal.watch(edges.append)
    before_press = time.monotonic_ns()
    pedal_bench.press()
    between = time.monotonic_ns()
    pedal_bench.lift()
    after_lift = time.monotonic_ns()
    press, lift = edges
    assert before_press <= press.at_ns <= between <= lift.at_ns <= after_lift


def test_a_chattering_contact_loses_no_edge(pedal_bench):
    edges = []
    pedal_bench.pedal.watch(edges.append)
    for _ in range(500):
        pedal_bench.press()
        pedal_bench.lift()
    assert [edge.down for edge in edges] == [True, False] * 500
    stamps = [edge.at_ns for edge in edges]
    assert stamps == sorted(stamps)


def test_edges_before_watching_are_not_told(pedal_bench):
    edges = []
    pedal_bench.press()
    pedal_bench.pedal.watch(edges.append)
    pedal_bench.lift()
    assert [edge.down for edge in edges] == [False]


def test_every_watcher_is_told_though_one_of_them_fails(pedal_bench, caplog):
    edges = []

    def stumble(edge):
        raise ValueError("this watcher is broken")

    pedal_bench.pedal.watch(stumble)
    pedal_bench.pedal.watch(edges.append)
    pedal_bench.press()
    pedal_bench.lift()
    assert [edge.down for edge in edges] == [True, False]
    assert caplog.text.count("this watcher is broken") >= 2


def test_no_edge_comes_after_close(pedal_bench):
    edges = []
    pedal_bench.pedal.watch(edges.append)
    pedal_bench.pedal.close()
    pedal_bench.press()
    pedal_bench.lift()
    assert edges == []


def test_a_second_close_does_nothing(pedal_bench):
    pedal_bench.pedal.close()
    pedal_bench.pedal.close()
    with pytest.raises(HardwareError):
        pedal_bench.pedal.watch(print)


def test_a_closed_pedal_refuses_to_be_used(pedal_bench):
    pedal_bench.pedal.close()
    with pytest.raises(HardwareError, match=r"pedal.* was closed: open it again"):
        pedal_bench.pedal.is_down  # noqa: B018
    with pytest.raises(HardwareError, match=r"pedal.* was closed: open it again"):
        pedal_bench.pedal.watch(print)
