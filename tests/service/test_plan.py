"""Planning by command: strips and prints as JSON, and every refusal in one sentence."""

from itertools import pairwise

import pytest


def close_to(value):
    return pytest.approx(value, rel=1e-12, abs=1e-12)


def test_an_incremental_strip_by_covering(treadle):
    # Worked by hand: 5, 10, 15 and 20 s in all, by four passes of 5 s under a growing card.
    plan = treadle("plan strip --first 5 --add 5 --patches 4 --way cover --json").json
    assert plan == {
        "way": "cover",
        "patches": [
            {"number": 1, "exposure_s": 5.0, "stops": 0.0},
            {"number": 2, "exposure_s": 10.0, "stops": close_to(1.0)},
            {"number": 3, "exposure_s": 15.0, "stops": close_to(1.584962500721156)},
            {"number": 4, "exposure_s": 20.0, "stops": close_to(2.0)},
        ],
        "passes": [
            {"number": 1, "duration_s": 5.0, "lights": [1, 2, 3, 4]},
            {"number": 2, "duration_s": 5.0, "lights": [2, 3, 4]},
            {"number": 3, "duration_s": 5.0, "lights": [3, 4]},
            {"number": 4, "duration_s": 5.0, "lights": [4]},
        ],
        "warnings": [],
    }


def test_a_strip_in_thirds_of_a_stop_around_its_centre(treadle):
    plan = treadle("plan strip --centre 8 --step 1/3 --patches 7 --json").json
    assert set(plan) == {"way", "patches", "passes", "warnings"}
    assert plan["way"] == "cover"
    # The definition of the stop: 8 s times two to the thirds from -1 to +1.
    totals = [8 * 2 ** (thirds / 3) for thirds in range(-3, 4)]
    assert [one["number"] for one in plan["patches"]] == [1, 2, 3, 4, 5, 6, 7]
    assert [one["exposure_s"] for one in plan["patches"]] == close_to(totals)
    assert [one["stops"] for one in plan["patches"]] == close_to([k / 3 for k in range(-3, 4)])
    more = [totals[0], *(b - a for a, b in pairwise(totals))]
    assert [one["duration_s"] for one in plan["passes"]] == close_to(more)
    assert [one["lights"] for one in plan["passes"]] == [list(range(k, 8)) for k in range(1, 8)]
    assert plan["warnings"] == []


def test_uncovering_makes_the_same_strip_from_its_other_end(treadle):
    plan = treadle("plan strip --first 5 --add 5 --patches 3 --way uncover --json").json
    assert [one["lights"] for one in plan["passes"]] == [[3], [2, 3], [1, 2, 3]]


def test_plain_repeats_add_up_under_the_card(treadle):
    plan = treadle("plan strip --repeat 3 --seconds 5 --json").json
    assert [one["exposure_s"] for one in plan["patches"]] == [5.0, 10.0, 15.0]
    assert [one["duration_s"] for one in plan["passes"]] == [5.0, 5.0, 5.0]


def test_plain_repeats_on_fresh_pieces_are_alike(treadle):
    plan = treadle("plan strip --repeat 3 --seconds 5 --way separate --json").json
    assert [one["exposure_s"] for one in plan["patches"]] == [5.0, 5.0, 5.0]
    assert [one["lights"] for one in plan["passes"]] == [[1], [2], [3]]


def test_a_print_with_two_dodges_and_two_burns(treadle):
    plan = treadle(
        "plan print --base 12.5 --dodge face=1/2 --dodge hands=1/4",
        *("--burn", "sky=1", "--burn", "corner=2/3@5", "--json"),
    ).json
    # The definition of the stop; each dodge stands behind its count-in of 3 s.
    face, hands = 12.5 * (1 - 2**-0.5), 12.5 * (1 - 2**-0.25)
    assert plan == {
        "passes": [
            {
                "kind": "base",
                "label": None,
                "filter": None,
                "duration_s": 12.5,
                "dodges": [
                    {"label": "face", "starts_s": 3.0, "ends_s": close_to(3 + face)},
                    {
                        "label": "hands",
                        "starts_s": close_to(6 + face),
                        "ends_s": close_to(6 + face + hands),
                    },
                ],
            },
            {
                "kind": "burn",
                "label": "sky",
                "filter": None,
                "duration_s": close_to(12.5),
                "dodges": [],
            },
            {
                "kind": "burn",
                "label": "corner",
                "filter": "5",
                "duration_s": close_to(12.5 * (2 ** (2 / 3) - 1)),
                "dodges": [],
            },
        ],
        "warnings": [],
    }


def test_dodges_done_together_begin_together(treadle):
    plan = treadle(
        "plan print --base 8 --dodge left=1/2 --dodge right=1/3 --together left,right",
        "--json",
    ).json
    assert [one["starts_s"] for one in plan["passes"][0]["dodges"]] == [3.0, 3.0]


def test_a_warning_stands_in_the_json_and_beside_the_table(treadle):
    told = treadle("plan strip --first 0.1 --add 0.1 --patches 2 --json")
    assert told.err == ""
    assert any("too short for the lamp's switch" in one for one in told.json["warnings"])
    shown = treadle("plan strip --first 0.1 --add 0.1 --patches 2")
    assert shown.code == 0
    assert shown.err.startswith("treadle: pass 1: 0.100 s is too short")


def test_a_table_for_people(treadle):
    shown = treadle("plan print --base 10 --burn sky=1")
    assert shown.code == 0
    assert shown.err == ""
    assert [line.split() for line in shown.out.splitlines()] == [
        ["pass", "what", "filter", "seconds"],
        ["1", "base", "-", "10.00"],
        ["2", "burn", "sky", "-", "10.00"],
    ]


@pytest.mark.parametrize("seconds", ["0", "-1", "nan", "inf", "1e300", "abc"])
@pytest.mark.parametrize(
    "command",
    [
        "plan strip --add 5 --patches 4 --json --first",
        "plan strip --step 1/3 --patches 7 --json --centre",
        "plan strip --first 5 --patches 4 --json --add",
        "plan strip --repeat 4 --json --seconds",
        "plan print --burn sky=1 --json --base",
    ],
)
def test_seconds_that_no_enlarger_can_give_are_refused(treadle, command, seconds):
    told = treadle(command, seconds)
    assert told.code == 2
    assert told.sentence


@pytest.mark.parametrize("patches", ["0", "1", "25", "-3", "1.5", "abc", "9" * 5000])
def test_patches_that_make_no_strip_are_refused(treadle, patches):
    told = treadle("plan strip --first 5 --add 5 --json --patches", patches)
    assert told.code == 2
    assert told.sentence.startswith("patches: ") or told.sentence.startswith("--patches: ")
    assert len(told.sentence) < 200


@pytest.mark.parametrize("step", ["0", "1/0", "1/13", "3", "-1/3", "abc", "nan", "1/" + "9" * 5000])
def test_steps_that_make_no_strip_are_refused(treadle, step):
    told = treadle("plan strip --centre 8 --patches 7 --json", f"--step={step}")
    assert told.code == 2
    assert told.sentence.startswith("step: ")
    assert len(told.sentence) < 200


def test_a_burn_of_forty_stops_is_refused(treadle):
    told = treadle("plan print --base 10 --burn sky=40 --json")
    assert told.code == 2
    assert told.sentence.startswith("burn 'sky': 40 stop can't be burnt in")


def test_dodges_longer_than_the_base_are_refused_with_the_excess(treadle):
    # Two stops hold three quarters of the base back: 7.5 s of 5 s.
    told = treadle("plan print --base 5 --dodge left=2 --dodge right=2 --json")
    assert told.code == 2
    assert "2.50 s longer than the base of 5 s" in told.sentence


def test_a_label_of_ten_thousand_characters_is_refused_without_repeating_it(treadle):
    told = treadle("plan", "print", "--base", "10", "--burn", "x" * 10_000 + "=1", "--json")
    assert told.code == 2
    assert "has 10000 characters" in told.sentence
    assert len(told.sentence) < 200


@pytest.mark.parametrize("sign", ["\x07", "\x1b[2J", "\n", "\r", "\x7f", "\u2028", "\u202e"])
@pytest.mark.parametrize("kind", ["--dodge", "--burn"])
def test_control_characters_are_refused_and_never_reach_the_terminal(treadle, kind, sign):
    told = treadle("plan", "print", "--base", "10", f"{kind}=sk{sign}y=1/2", "--json")
    assert told.code == 2
    assert "control characters" in told.sentence
    assert told.sentence.isprintable()


@pytest.mark.parametrize(
    ("command", "says"),
    [
        ("", "COMMAND"),
        ("plan", "KIND"),
        ("programme", "WHAT"),
        ("paper", "WHERE"),
        ("develop", "'develop'"),
        ("plan strip --quickly", "--quickly"),
        ("plan strip --first", "--first"),
        ("plan strip --first 5 --add 5", "patches"),
        ("plan strip --first 5 --patches 4", "a step in stops, seconds to add, or plain repeats"),
        ("plan strip --first 5 --centre 5 --add 1 --patches 4", "not both"),
        ("plan strip --repeat 4", "--seconds"),
        ("plan strip --repeat 4 --seconds 5 --patches 4", "leave the rest out"),
        ("plan strip --first 5 --add 5 --patches 4 --way sideways", "cover, uncover, separate"),
        ("plan strip --first 5 --add 5 --patches 4 --lag -1", "lag: "),
        ("plan strip --first 5 --add 5 --patches 4 --shortest abc", "--shortest"),
        ("plan strip --centre 5 --add 5 --patches 4", "the first of 4 patches would get 0 s"),
        ("plan print", "--base"),
        ("plan print --base 10 --dodge face", "label=stops"),
        ("plan print --base 10 --dodge =1/2", "it is empty"),
        ("plan print --base 10 --dodge face=1/2@5", "can't have a filter"),
        ("plan print --base 10 --dodge face=1/2 --dodge face=1/3", "twice"),
        ("plan print --base 10 --dodge face=1/2 --together face,hand", "'hand'"),
        ("plan print --base 10 --burn sky=-1", "'sky'"),
        ("plan print --base 3000 --burn sky=8", "'sky'"),
        ("plan print --base 10 --count-in 99 --dodge face=1/2", "count-in"),
        ("completion fish", "'fish'"),
    ],
)
def test_what_makes_no_sense_is_refused_in_one_sentence(treadle, command, says):
    told = treadle(command)
    assert told.code == 2
    assert says in told.sentence


@pytest.mark.parametrize("word", ["--fi\nrst", "--\x1b[2J", "--" + "x" * 10_000])
def test_an_unknown_option_is_refused_in_one_clean_and_short_sentence(treadle, word):
    told = treadle("plan", "strip", word)
    assert told.code == 2
    assert told.sentence.isprintable()
    assert len(told.sentence) < 400
