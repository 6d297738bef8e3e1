"""The plug is pulled in mid-pass, and put in again."""

import pytest
from rigging.bench import Enlarger

S = 1_000_000_000
DATABASE = "/var/lib/treadle/treadle.sqlite3"


@pytest.mark.fault(
    "processes",
    "The power is cut in mid-exposure",
    happens="Dark at boot; the pass is held with bounds; nothing starts by itself.",
    guard="the board's reset, then the keeper's first act",
    within="at the power cut",
    annex_h=(),
)
def test_a_power_cut_while_exposing_and_the_next_start(enlarger: Enlarger) -> None:
    """Power gone, power back: the service starts by itself, the lamp was never on meanwhile.

    The pass is held and told with bounds that hold the truth; nothing starts by itself, and a
    tap gives the rest. The database is sound.
    """
    since_ns = enlarger.guest.now_ns()
    enlarger.expose(60)
    on = next(one for one in enlarger.lamp.writes(since_ns) if one.on)
    enlarger.guest.until(
        lambda: enlarger.guest.now_ns() - on.at_ns > 3 * S, "three seconds are exposed"
    )
    assert enlarger.lamp.is_on()
    at_least_ns = enlarger.guest.now_ns() - on.at_ns
    enlarger.guest.power_cut()
    enlarger.guest.boot()

    status = enlarger.guest.until_state("held")
    # Traced from before the first program of the machine ran.
    writes = enlarger.lamp.writes()
    assert writes
    assert not any(one.on for one in writes)
    assert "between" in status["recovered"]
    (told,) = enlarger.record()["passes"]
    assert told["received_least_ns"] <= at_least_ns <= told["received_most_ns"] <= 60 * S
    assert told["received_least_ns"] > 0, "no mark of the progress has survived"
    print("\n" + status["recovered"])  # noqa: T201 - the rig's figures are quoted
    sound = f"import sqlite3; print(sqlite3.connect('{DATABASE}')"
    sound += ".execute('pragma integrity_check').fetchone()[0])"
    assert enlarger.guest.run("python3 -c", sound).out == "ok\n"
    assert not enlarger.lamp.is_on()
    assert not any(one.on for one in enlarger.lamp.writes())

    since_ns = enlarger.guest.now_ns()
    enlarger.start()
    enlarger.pedal.tap()
    enlarger.lamp.until(on=False)
    assert len(enlarger.periods(since_ns)) == 1
