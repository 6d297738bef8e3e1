"""The main job, through the kernel: the pedal's wire at one end, the lamp's line at the other."""

import itertools
import json
from collections.abc import Callable
from typing import Any

import pytest
from rigging.bench import SLACK_NS, Enlarger
from rigging.guest import LONG_SECONDS, Period

STRIP = "strip --centre 1 --step 1/3 --patches 3"
PRINT = "print --base 1 --burn sky=1"
MANY = "strip --repeat 6 --seconds 0.3"


def matched(sheet: Any, seen: list[Period]) -> list[tuple[dict[str, Any], dict[str, int], Period]]:
    """The record's passes and periods, each with the period that the kernel saw."""
    told = [(one, period) for one in sheet["passes"] for period in one["periods"]]
    assert len(told) == len(seen), (told, seen)
    return [(one, period, by_kernel) for (one, period), by_kernel in zip(told, seen, strict=True)]


def check(sheet: Any, seen: list[Period]) -> list[int]:
    """Hold the record against the kernel; returns how much later the record's stamps are."""
    differences = []
    for one, told, by_kernel in matched(sheet, seen):
        on, off = told["on_ns"] - by_kernel.on.at_ns, told["off_ns"] - by_kernel.off.at_ns
        differences += [on, off]
        assert abs(on) < SLACK_NS, (told, by_kernel)
        assert abs(off) < SLACK_NS, (told, by_kernel)
        if one["state"] == "complete" and len(one["periods"]) == 1:
            assert abs(by_kernel.ns - one["intended_ns"]) < SLACK_NS
    for one in sheet["passes"]:
        if one["state"] == "complete":
            assert one["received_ns"] == sum(p["off_ns"] - p["on_ns"] for p in one["periods"])
            assert abs(one["received_ns"] - one["intended_ns"]) < SLACK_NS
    return differences


def log_of(title: str, sheet: Any, seen: list[Period]) -> list[str]:
    """The log of one sheet, to be read."""
    assert seen, title
    begun_ns = seen[0].on.at_ns
    lines = [
        title,
        f"  {'pass':13} {'kernel on s':>12} {'kernel off s':>13}  {'intended s':>11}"
        f" {'received s':>12}     kernel s  state, who switched",
    ]
    for one, told, by_kernel in matched(sheet, seen):
        name = f"{one['number']} {one['label'] or one['kind']}"
        who = f"{by_kernel.on.who} {by_kernel.on.pid}"
        received = (told["off_ns"] - told["on_ns"]) / 1e9
        lines.append(
            f"  {name:13} {(by_kernel.on.at_ns - begun_ns) / 1e9:12.6f}"
            f"  {(by_kernel.off.at_ns - begun_ns) / 1e9:12.6f}  {one['intended_ns'] / 1e9:11.6f}"
            f"  {received:11.6f}  {by_kernel.ns / 1e9:11.6f}  {one['state']}, {who}"
        )
    return lines


def table_of(differences: list[int]) -> str:
    """How the record's stamps differ from the kernel's."""
    sizes = sorted(abs(one) for one in differences)

    def at(share: float) -> str:
        return f"{sizes[min(len(sizes) - 1, int(share * len(sizes)))] / 1e3:.0f}"

    return (
        f"stamps in the record against the kernel's, {len(sizes)} edges, microseconds:"
        f" median {at(0.5)}, p99 {at(0.99)}, worst {sizes[-1] / 1e3:.0f};"
        f" record later in {sum(one > 0 for one in differences)} of {len(sizes)}"
    )


def test_a_strip_and_a_print_by_pedal_alone(
    enlarger: Enlarger, keep: Callable[[str, str], None]
) -> None:
    """Armed by command, started by foot: what the kernel saw of the lamp is what the record says.

    A strip of three patches (its later passes come by themselves), then a print with a base
    and a burn that waits for the pedal, then many short passes for the stamps' sake.
    """
    log, differences = [], []
    for name, what, taps in (("Strip", STRIP, 1), ("Print", PRINT, 2), ("Many", MANY, 1)):
        since_ns = enlarger.guest.now_ns()
        enlarger.arm(name, what)
        assert enlarger.periods(since_ns) == []
        for tap in range(taps):
            enlarger.start()
            enlarger.guest.until_state("waiting" if tap < taps - 1 else "done")
        seen, sheet = enlarger.periods(since_ns), enlarger.record()
        shown = enlarger.guest.treadle("record show", str(sheet["sheet"]), "--json").out
        assert json.loads(shown) == sheet
        assert sheet["outcome"] in (None, "complete")
        assert [one["state"] for one in sheet["passes"]] == ["complete"] * len(sheet["passes"])
        differences += check(sheet, seen)
        if what == STRIP:
            # The bands of an f-stop strip by covering: 2 ** (n/3) times the centre's second.
            bands = itertools.accumulate(one.ns for one in seen)
            for band_ns, stops in zip(bands, (-1 / 3, 0, 1 / 3), strict=True):
                assert abs(band_ns - 2**stops * 1e9) < SLACK_NS
        if name != "Many":
            log += log_of(f"{name}: {what}, taps of the pedal: {taps}", sheet, seen)
        enlarger.calm()
    keep("main-job", "\n".join([*log, table_of(differences)]))


def test_the_main_job_with_gpiozero_and_lgpio_for_the_lamp_too(enlarger: Enlarger) -> None:
    """With lamp.driver = "gpiozero" a print goes just so."""
    enlarger.configure(lamp={"driver": "gpiozero"})
    since_ns = enlarger.guest.now_ns()
    enlarger.arm("Print", PRINT)
    for state in ("waiting", "done"):
        enlarger.start()
        enlarger.guest.until_state(state)
    seen = enlarger.periods(since_ns)
    check(enlarger.record(), seen)
    assert {one.on.pid for one in seen} == {enlarger.keeper_pid()}


@pytest.mark.parametrize("driver", ["gpiozero", "chip"])
def test_any_press_holds_and_a_tap_goes_on_to_the_exact_total(
    enlarger: Enlarger, driver: str
) -> None:
    """The lamp goes off at once when the foot comes down, and the rest is given after a tap.

    So it is with a pedal that the daemon reads through gpiozero, and with one that the keeper
    reads from the kernel's chip.
    """
    enlarger.configure(pedal={"driver": driver})
    since_ns = enlarger.guest.now_ns()
    enlarger.expose(12)
    _, down_ns = enlarger.pedal.tap()
    enlarger.lamp.until(on=False)
    held = enlarger.guest.until_state("held")
    assert 0 < held["received_ns"] < 12e9
    (first,) = enlarger.periods(since_ns)
    print(  # noqa: T201 - the rig's figures are quoted
        f"\npedal by {driver}: the lamp was off {(first.off.at_ns - down_ns) / 1e6:.2f} ms"
        " after the foot came down"
    )

    enlarger.start()
    enlarger.guest.until_state("done")
    first, second = enlarger.periods(since_ns)
    assert abs(first.ns + second.ns - 12e9) < SLACK_NS
    check(enlarger.record(), [first, second])


def test_a_long_press_gives_a_pass_up(enlarger: Enlarger) -> None:
    """The lamp is off from the foot's coming down, and does not come on again."""
    since_ns = enlarger.guest.now_ns()
    enlarger.expose(30)
    enlarger.pedal.hold(LONG_SECONDS)
    enlarger.guest.until_state("paper out")
    assert len(enlarger.periods(since_ns)) == 1
    assert enlarger.record()["passes"][0]["state"] == "given up"


def test_viewing_by_pedal(enlarger: Enlarger) -> None:
    """With nothing armed and the paper away a tap switches the lamp on, and a tap off."""
    since_ns = enlarger.guest.now_ns()
    enlarger.start()
    enlarger.guest.until_state("viewing")
    enlarger.pedal.tap()
    enlarger.lamp.until(on=False)
    enlarger.guest.until_state("dark")
    assert len(enlarger.periods(since_ns)) == 1
