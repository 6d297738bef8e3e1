"""The main job by pedal alone: a strip, a hold, a print with a burn, and what the record says.

An exposure ends by the keeper's deadline, never before it; how long after it is the machine's own
affair, so the tests allow for a busy one. The keeper's stamp of a switching lies within the write
to the line, and so within a moment of the line's own.
"""

from itertools import pairwise

NS = 1_000_000_000
LATE_NS = NS // 4
MOMENT_NS = NS // 20


def received(darkroom, sheet):
    """The passes of a sheet, after checking all sheets against the keeper's notes and the line."""
    sheets = [
        darkroom.tell("record show", str(one["sheet"]))
        for one in reversed(darkroom.tell("record", "list"))
    ]
    passes = [one for shown in sheets for one in shown["passes"]]
    told = sorted((p["on_ns"], p["off_ns"]) for one in passes for p in one["periods"])
    # To the nanosecond what the keeper measured, with nothing left out and nothing twice.
    assert told == darkroom.journal()
    for (on_ns, off_ns), (line_on_ns, line_off_ns) in zip(told, darkroom.periods(), strict=True):
        assert abs(on_ns - line_on_ns) < MOMENT_NS
        assert abs(off_ns - line_off_ns) < MOMENT_NS
    for one in passes:
        if one["state"] in ("complete", "given up"):
            assert one["received_ns"] == sum(p["off_ns"] - p["on_ns"] for p in one["periods"])
    return next(shown["passes"] for shown in sheets if shown["sheet"] == sheet)


def test_a_strip_runs_hands_free_from_one_press(darkroom):
    darkroom.start()
    darkroom.save("Slipway", "strip --first 0.2 --add 0.1 --patches 3 --pause 1")
    armed = darkroom.arm("Slipway")
    assert (armed["pass"], armed["passes"], armed["version"]) == (1, 3, 1)
    assert darkroom.periods() == []
    darkroom.tell("pedal")
    darkroom.until_state("done")
    passes = received(darkroom, 1)
    assert [one["intended_ns"] for one in passes] == [NS // 5, NS // 10, NS // 10]
    assert [one["state"] for one in passes] == ["complete"] * 3
    for one in passes:
        assert len(one["periods"]) == 1
        assert one["intended_ns"] <= one["received_ns"] < one["intended_ns"] + LATE_NS
    periods = darkroom.periods()
    assert len(periods) == 3
    for before, after in pairwise(periods):
        assert after[0] - before[1] > NS - MOMENT_NS  # the pause of a second, in the dark


def test_a_strip_may_go_on_by_pedal_from_pass_to_pass(darkroom):
    darkroom.start()
    darkroom.save(
        "Slipway", "strip --first 0.1 --add 0.1 --patches 2 --way uncover --advance pedal"
    )
    darkroom.arm("Slipway")
    darkroom.tell("pedal")
    second = darkroom.until_state("waiting")
    assert second["pass"] == 2
    assert second["hands"] == "card away, all bands open"
    assert not darkroom.lit()
    darkroom.tell("pedal")
    darkroom.until_state("done")
    assert len(darkroom.periods()) == 2


def test_a_held_pass_is_continued_to_its_exact_total(darkroom):
    darkroom.start()
    darkroom.expose("2")
    darkroom.tell("pedal")
    held = darkroom.until_state("held")
    assert not darkroom.lit()
    first_ns = held["received_ns"]
    assert 0 < first_ns < 2 * NS
    # The foot on the pedal again gives the rest, and no more.
    darkroom.tell("pedal")
    darkroom.until_state("done")
    (base,) = received(darkroom, 1)
    assert len(base["periods"]) == 2
    assert base["periods"][0]["off_ns"] - base["periods"][0]["on_ns"] == first_ns
    assert 2 * NS <= base["received_ns"] < 2 * NS + LATE_NS


def test_a_pass_that_is_given_up_ends_the_sheet_with_what_it_received(darkroom):
    darkroom.start()
    darkroom.expose("600")
    darkroom.tell("pedal", "long")
    darkroom.until_state("paper out")
    assert not darkroom.lit()
    (base,) = received(darkroom, 1)
    assert base["state"] == "given up"
    assert 0 < base["received_ns"] < 600 * NS
    assert darkroom.tell("record", "list")[0]["outcome"] == "given up"
    # Unprotected paper may be about: no light to compose by.
    refused = darkroom.treadle("view")
    assert refused.code == 5
    assert "put the paper away first" in refused.sentence
    assert darkroom.tell("paper", "away")["state"] == "dark"
    assert len(darkroom.periods()) == 1


def test_a_held_pass_can_be_given_up(darkroom):
    darkroom.start()
    darkroom.expose("600")
    darkroom.tell("pedal")
    darkroom.until_state("held")
    darkroom.tell("pedal", "long")
    darkroom.until_state("paper out")
    (base,) = received(darkroom, 1)
    assert base["state"] == "given up"


def test_dark_ends_an_exposure_at_once(darkroom):
    darkroom.start()
    darkroom.expose("600")
    darkroom.tell("dark")
    darkroom.until_state("paper out")
    assert not darkroom.lit()
    assert received(darkroom, 1)[0]["state"] == "given up"


def test_a_finished_sheet_is_repeated_by_a_tap_and_left_by_a_very_long_press(darkroom):
    darkroom.start()
    darkroom.expose("0.1")
    darkroom.until_state("done")
    darkroom.tell("pedal")
    again = darkroom.until_state("waiting")
    assert (again["sheet"], again["pass"]) == (2, 1)
    darkroom.tell("pedal")
    darkroom.until_state("done")
    assert darkroom.tell("pedal", "leave")["state"] == "dark"
    sheets = darkroom.tell("record", "list")
    assert [(one["sheet"], one["outcome"]) for one in sheets] == [(2, "complete"), (1, "complete")]
    assert received(darkroom, 2)[0]["state"] == "complete"


def test_the_last_pass_is_made_once_more_by_a_long_press(darkroom):
    darkroom.start()
    darkroom.expose("0.1")
    darkroom.until_state("done")
    darkroom.tell("pedal", "long")
    darkroom.until_state("waiting")
    darkroom.tell("pedal")
    darkroom.until_state("done")
    passes = received(darkroom, 1)
    assert [(one["attempt"], one["state"]) for one in passes] == [(1, "complete"), (2, "complete")]


def test_a_burn_waits_in_the_dark_for_the_pedal(darkroom):
    darkroom.start()
    darkroom.save("Boat shed", "print --base 0.3 --filter 2 --burn sky=1@5")
    darkroom.arm("Boat shed")
    darkroom.tell("pedal")
    burn = darkroom.until_state("waiting")
    assert (burn["pass"], burn["kind"], burn["label"], burn["filter"]) == (2, "burn", "sky", "5")
    assert burn["hands"] == "filter 5, card ready to burn sky"
    assert not darkroom.lit()
    assert len(darkroom.periods()) == 1
    darkroom.tell("pedal")
    darkroom.until_state("done")
    passes = received(darkroom, 1)
    assert [(one["kind"], one["label"]) for one in passes] == [("base", None), ("burn", "sky")]
    # One stop more is as much again: the definition of the stop.
    assert [one["intended_ns"] for one in passes] == [3 * NS // 10, 3 * NS // 10]


def test_an_evening_without_trouble_leaves_one_line_in_the_log(darkroom):
    """The dark way writes no log while all is well: a log can make it wait."""
    daemon = darkroom.start()
    darkroom.expose("0.1")
    darkroom.until_state("done")
    darkroom.end(daemon)
    (line,) = darkroom.log.splitlines()
    assert line.endswith(f"ready; the socket is {darkroom.socket}")


def test_viewing_goes_on_and_off_by_pedal_and_leaves_no_record(darkroom):
    darkroom.start()
    darkroom.tell("pedal")
    darkroom.until_lamp_on()
    assert darkroom.status()["state"] == "viewing"
    assert darkroom.lit()
    darkroom.tell("pedal")
    darkroom.until_state("dark")
    assert not darkroom.lit()
    assert darkroom.tell("record", "list") == []


def test_a_programme_from_a_file_is_armed_without_being_kept(darkroom):
    darkroom.start()
    darkroom.save("Boat shed", "print --base 0.1")
    file = darkroom.folder / "boat shed.toml"
    darkroom.tell("programme export", "Boat shed")
    assert darkroom.treadle("programme export", "Boat shed", "--output", str(file)).code == 0
    darkroom.tell("programme remove", "Boat shed")
    armed = darkroom.arm("--file", str(file))
    assert (armed["programme"], armed["version"]) == ("Boat shed", None)
    assert darkroom.tell("programme list") == []


def test_what_can_not_be_done_is_told_in_one_sentence(darkroom):
    darkroom.start()
    for command, code, says in (
        ("arm", 2, "either a programme's name or --file"),
        ("arm Nothing", 3, "no programme is named 'Nothing'"),
        ("arm Nothing --version two", 2, "--version"),
        ("arm --file /nowhere/at.toml", 1, "/nowhere/at.toml"),
        ("pedal stamp", 2, "tap, long, leave"),
        ("record show 7", 3, "the record has no sheet 7; it has none yet"),
        ("record show seven", 2, "sheet: 'seven'"),
        ("record show -- -1", 2, "they begin with 1"),
        ("record list --limit 0", 2, "limit: give a whole number from 1 to 1000"),
        ("record list --limit 1001", 2, "limit: give a whole number from 1 to 1000"),
        ("pedal long", 5, "refused in the state 'dark'; arm a programme first"),
        ("programme show Nothing --version 2", 3, "no programme is named"),
    ):
        told = darkroom.treadle(command)
        assert (command, told.code) == (command, code)
        assert says in told.sentence


def test_a_pass_longer_than_the_lamp_may_burn_is_refused_before_it_is_armed(darkroom):
    darkroom.configure(lamp={"longest_s": 5.0}, viewing={"limit_s": 5.0, "warning_s": 1.0})
    darkroom.start()
    darkroom.save("Long", "print --base 6")
    told = darkroom.treadle("arm", "Long")
    assert told.code == 2
    assert "pass 1 takes 6 s, longer than lamp.longest_s (5 s)" in told.sentence
    assert darkroom.status()["state"] == "dark"


def test_without_a_daemon_a_command_says_how_to_start_one(darkroom):
    for command in ("status", "pedal", "view", "dark", "arm X", "record list", "programme list"):
        told = darkroom.treadle(command)
        assert told.code == 6
        assert told.sentence.startswith(f"{darkroom.socket}: no daemon answers; start it with")
    told = darkroom.treadle("status", "--follow")
    assert told.code == 6
    assert told.sentence.startswith(f"{darkroom.socket}: no daemon answers")
