"""The drawings and the pin table of docs/wiring."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path
from xml.etree import ElementTree

import pytest
from gpiozero import pi_info

from timer.control.cues import Cue
from timer.control.sounds import SOUNDS
from timer.service.config import Config, LampConfig, parse_config

WIRING = Path(__file__).parents[2] / "docs" / "wiring"
DRAWINGS = ("overview.svg", "lamp.svg", "pedal.svg", "buzzer.svg", "sense.svg")
SVG = "{http://www.w3.org/2000/svg}"

# What the printer connects: the pins as the project promises them.
PROMISED = {
    "lamp control": (11, 17),
    "buzzer**, output": (12, 18),
    "pedal**, input": (13, 27),
    "lamp sense**, input": (15, 22),
}
# Revision codes of boards with the 40-pin header, by gpiozero's own tables: 1B+, 2B, Zero, 3B,
# 4B and 5.
BOARDS = ("0010", "a01041", "900092", "a02082", "b03111", "c04170")


def read_pin_table() -> list[tuple[int, str, str, str, str]]:
    """Return the README's rows: physical pin, name, BCM number, level at power-on, use."""
    row = re.compile(r"^\| (\d+) \| (\S+) \| (\S+) \| ([^|]*) \|([^|]*)\|$", re.MULTILINE)
    found = row.findall(page())
    return [(int(pin), name, bcm, rest, use.strip()) for pin, name, bcm, rest, use in found]


def page() -> str:
    return (WIRING / "README.md").read_text("utf-8")


def words_in(drawing: str) -> list[str]:
    """Return every piece of writing in a drawing."""
    root = ElementTree.parse(WIRING / drawing).getroot()  # noqa: S314 - our own file
    return ["".join(text.itertext()) for text in root.iter(f"{SVG}text")]


@pytest.fixture(scope="module")
def redrawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wiring")
    script = WIRING / "draw.py"
    subprocess.run([sys.executable, script, "--into", folder], check=True, timeout=60)
    return folder


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_each_drawing_is_the_one_that_its_code_draws(drawing: str, redrawn: Path) -> None:
    assert (redrawn / drawing).read_bytes() == (WIRING / drawing).read_bytes(), (
        f"{drawing} is not what docs/wiring/draw.py draws: run it and commit the result"
    )


def test_no_other_drawing_lies_beside_them(redrawn: Path) -> None:
    assert {path.name for path in redrawn.iterdir()} == set(DRAWINGS)
    assert {path.name for path in WIRING.glob("*.svg")} == set(DRAWINGS)


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_each_drawing_is_svg_with_writing_on_it(drawing: str) -> None:
    root = ElementTree.parse(WIRING / drawing).getroot()  # noqa: S314 - our own file
    assert root.tag == f"{SVG}svg"
    assert "Raspberry Pi" in words_in(drawing)


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_no_drawing_shows_mains_or_carries_a_date_or_an_id(drawing: str) -> None:
    writing = " ".join(words_in(drawing)).lower()
    for word in ("live", "neutral", "phase", "230 v", "120 v", "240 v", "110 v"):
        assert re.search(rf"\b{word}\b", writing) is None, word
    source = (WIRING / drawing).read_text("utf-8")
    assert re.search(r"\bid=|20\d\d-\d\d", source) is None


@pytest.mark.parametrize("drawing", ["overview.svg", "lamp.svg"])
def test_the_switching_box_is_drawn_closed(drawing: str) -> None:
    writing = " ".join(words_in(drawing)).lower()
    assert "mains side not drawn" in writing
    assert "listed, enclosed" in writing
    assert "switching box" in writing
    assert "normally open" in writing
    assert "10 kω" in writing  # the pull-down that makes off the resting state


@pytest.mark.parametrize(
    ("drawing", "name", "pin"),
    [
        ("lamp.svg", "GPIO17", 11),
        ("pedal.svg", "GPIO27", 13),
        ("buzzer.svg", "GPIO18", 12),
        ("sense.svg", "GPIO22", 15),
        ("overview.svg", "GPIO22", 15),
    ],
)
def test_a_drawing_names_the_line_and_the_pin_of_its_device(
    drawing: str, name: str, pin: int
) -> None:
    assert {name, f"pin {pin}"} <= set(words_in(drawing))


def test_the_table_has_the_forty_pins_in_order() -> None:
    assert [pin for pin, *_ in read_pin_table()] == list(range(1, 41))


@pytest.mark.parametrize("revision", BOARDS)
def test_the_table_agrees_with_the_boards_own_header(revision: str) -> None:
    # Independent source: the board tables of gpiozero, made from each board's documentation.
    header = pi_info(revision).headers["J8"].pins
    for pin, name, bcm, _rest, _use in read_pin_table():
        assert header[pin].name == name, f"physical pin {pin}"
        line = re.fullmatch(r"GPIO(\d+)", header[pin].name)
        assert bcm == (line[1] if line else "–"), f"physical pin {pin}"


def test_our_lines_are_where_the_table_and_the_board_say() -> None:
    board = pi_info("a02082")
    for use, (pin, bcm) in PROMISED.items():
        rows = [row for row in read_pin_table() if use in row[4]]
        assert [(row[0], row[2]) for row in rows] == [(pin, str(bcm))], use
        # gpiozero finds the physical place of a BCM number without any hardware.
        assert [(header.name, place.number) for header, place in board.find_pin(f"GPIO{bcm}")] == [
            ("J8", pin)
        ]


def test_the_configuration_starts_with_the_pins_that_are_drawn() -> None:
    config = Config()
    lines = (config.lamp.pin, config.sounder.pin, config.pedal.pin, config.lamp.sense_pin)
    assert lines == tuple(bcm for _, bcm in PROMISED.values())


def test_the_keys_of_the_lamp_sense_are_told_with_their_defaults() -> None:
    rows = re.findall(r"^\| `(\w+ = [^`]+)` \|", page(), re.MULTILINE)
    told = [next(iter(tomllib.loads(row).items())) for row in rows]
    keys = ("sense", "sense", "sense_pin", "sense_active_high", "settle_s")
    assert tuple(key for key, _ in told) == keys
    told.remove(("sense", "chip"))  # the choice that is made; the others are the defaults
    assert {key: getattr(LampConfig(), key) for key in keys} == dict(told)
    parse_config("[lamp]\n" + "\n".join(row for row in rows if '"none"' not in row), "the page")


def test_the_pedal_is_read_as_the_page_says_unless_told_otherwise() -> None:
    pedal = Config().pedal
    for key, value in (("driver", pedal.driver), ("pull", pedal.pull)):
        assert f'`{key} = "{value}"`' in page()


def test_the_alarm_sounds_as_the_page_says() -> None:
    assert "twelve short high tones, and again every three seconds" in page()
    alarm = [note.hertz for note in SOUNDS[Cue.ALARM] if note.hertz is not None]
    assert len(alarm) == 12
    assert set(alarm) == {max(n.hertz or 0.0 for notes in SOUNDS.values() for n in notes)}


def test_ground_and_supply_are_ground_and_supply() -> None:
    header = pi_info("a02082").headers["J8"].pins
    for pin, _name, _bcm, _rest, use in read_pin_table():
        if "ground" in use:
            assert header[pin].name == "GND"
        if use.endswith("supply"):
            assert header[pin].name == "5V"
        if "3.3 V" in use:
            assert header[pin].name == "3V3"


def test_the_lamp_line_is_among_those_that_start_pulled_down() -> None:
    # From memory: GPIO 0 to 8 start with a pull-up, 9 to 27 with a pull-down. The two lines with
    # fixed pull-ups that gpiozero's tables know must be among the first.
    resting = {int(bcm): rest for _, _, bcm, rest, _ in read_pin_table() if bcm.isdigit()}
    assert resting[17] == "input, pulled down"
    assert {bcm for bcm, rest in resting.items() if rest == "input, pulled up"} == set(range(9))
    header = pi_info("a02082").headers["J8"].pins
    fixed_up = {int(place.name[4:]) for place in header.values() if place.pull == "up"}
    assert fixed_up
    assert all(resting[bcm] == "input, pulled up" for bcm in fixed_up)


def test_the_header_map_of_the_overview_shows_every_line_once() -> None:
    header = pi_info("a02082").headers["J8"].pins
    names = [place.name for place in header.values() if place.name.startswith("GPIO")]
    writing = words_in("overview.svg")
    # Our four lines stand once more at the side of the board that is drawn beside the map.
    ours = {f"GPIO{bcm}" for _, bcm in PROMISED.values()}
    for name in names:
        shown = [words for words in writing if re.search(rf"\b{name}\b", words)]
        assert len(shown) == (2 if name in ours else 1), name


@pytest.mark.parametrize(
    "caution",
    [
        "certified, enclosed switching device",
        "licensed electrician",
        "Local codes",
        "RCD 30 mA",
        "GFCI class A (6 mA)",
        "fuse",
        "Wet hands",
        "Lamps are hot",
        "Chemicals",
        "Keep mains and low voltage apart",
        "out of reach of them",
        "Pull the enlarger's plug",
        "Not tested on real hardware",
        "active_high = false",
    ],
)
def test_the_page_keeps_its_cautions(caution: str) -> None:
    assert caution in page()
