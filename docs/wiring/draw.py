"""Draw the low-voltage wiring: ``python docs/wiring/draw.py [--into FOLDER]``.

Writes ``overview.svg``, ``lamp.svg``, ``pedal.svg``, ``buzzer.svg`` and
``sense.svg``, by default next to this file. The same code gives the same bytes each time, so
that a test can prove the drawings current. Only what runs at 5 V and below is
drawn: whatever is behind the switching box stays shut.

Lengths are in schemdraw's unit, half an inch of the picture; y points up.
"""

import argparse
import re
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Literal

import schemdraw
import schemdraw.elements as elm
from schemdraw.backends import svg
from schemdraw.segments import SegmentCircle, SegmentPoly, SegmentText

Point = tuple[float, float]
Align = Literal["left", "center", "right"]

POINTS_PER_UNIT = 36

INK = "#1a1a1a"
FAINT = "#5f5f5f"
LAMP = "#b3261e"
PEDAL = "#1f4e9c"
BUZZER = "#2e6b2e"
SENSE = "#7a4b00"
SUPPLY = "#8a1c6a"
PI_FILL = "#eef3ee"
BOX_FILL = "#f4f1ea"

# The names of the 40-pin header, physical pin 1 first.
HEADER = (
    *("3V3", "5V", "GPIO2", "5V", "GPIO3", "GND", "GPIO4", "GPIO14", "GND", "GPIO15"),
    *("GPIO17", "GPIO18", "GPIO27", "GND", "GPIO22", "GPIO23", "3V3", "GPIO24", "GPIO10", "GND"),
    *("GPIO9", "GPIO25", "GPIO11", "GPIO8", "GND", "GPIO7", "GPIO0", "GPIO1", "GPIO5", "GND"),
    *("GPIO6", "GPIO12", "GPIO13", "GND", "GPIO19", "GPIO16", "GPIO26", "GPIO20", "GND", "GPIO21"),
)

# The physical pins that we connect, and the colour of each.
OURS = {
    1: SENSE,
    2: SUPPLY,
    6: BUZZER,
    9: LAMP,
    11: LAMP,
    12: BUZZER,
    13: PEDAL,
    14: PEDAL,
    15: SENSE,
    20: SENSE,
}

# What each is for, in a word.
SHORT = {
    1: "sense",
    2: "driver",
    6: "buzzer",
    9: "lamp",
    11: "lamp",
    12: "buzzer",
    13: "pedal",
    14: "pedal",
    15: "sense",
    20: "sense",
}


class Sheet:
    """One drawing: a thin layer over schemdraw that places everything by points."""

    def __init__(self) -> None:
        self._drawing = schemdraw.Drawing(show=False)
        self._drawing.config(fontsize=11, lw=1.6, color=INK, bgcolor="white", margin=0.3)

    def wire(self, *points: Point, colour: str = INK, dashed: bool = False) -> None:
        """Draw a line through ``points``."""
        for start, end in pairwise(points):
            part = elm.Line().endpoints(start, end).color(colour)
            self._drawing.add(part.linestyle("--") if dashed else part)

    def part(self, element: elm.Element2Term, start: Point, end: Point, colour: str = INK) -> None:
        """Draw a part with two ends, its leads reaching from ``start`` to ``end``."""
        self._drawing.add(element.endpoints(start, end).color(colour))

    def transistor(self, base: Point) -> tuple[Point, Point]:
        """Draw an NPN transistor; return the places of its collector and its emitter."""
        element = elm.BjtNpn(circle=True).at(base).anchor("base")
        self._drawing.add(element)
        collector, emitter = element.absanchors["collector"], element.absanchors["emitter"]
        return (collector.x, collector.y), (emitter.x, emitter.y)

    def dot(self, at: Point, colour: str = INK) -> None:
        """Mark a joint."""
        self._drawing.add(elm.Dot(radius=0.07).at(at).color(colour))

    def circle(self, at: Point, radius: float, colour: str, *, filled: bool) -> None:
        """Draw a pin of the header, seen from above."""
        fill = colour if filled else "white"
        self._place(SegmentCircle(at, radius, color=colour, fill=fill, lw=1.2, zorder=1))

    def box(
        self, corner: Point, opposite: Point, *, fill: str = "none", dashed: bool = False
    ) -> None:
        """Draw a rectangle below everything else."""
        (left, bottom), (right, top) = corner, opposite
        corners = [(left, bottom), (right, bottom), (right, top), (left, top)]
        ink = FAINT if dashed else INK
        dashes: Literal["--", "-"] = "--" if dashed else "-"
        self._place(SegmentPoly(corners, color=ink, fill=fill, lw=1.4, ls=dashes, zorder=0))

    def text(
        self, at: Point, *rows: str, colour: str = INK, size: float = 11, align: Align = "left"
    ) -> None:
        """Write ``rows``, the first one centred on the height of ``at``.

        One text for each row, placed by its baseline: renderers disagree on
        where the middle of a text is, and on how far apart its rows lie.
        """
        x, middle = at
        for place, row in enumerate(rows):
            # schemdraw lifts a text by its estimated height less its size; we take that back.
            lifted = svg.text_size(row, size=size)[1] - size
            y = middle - (0.35 * size + place * size * 1.4 + lifted) / POINTS_PER_UNIT
            self._place(
                SegmentText(
                    (x, y), row, align=(align, "base"), color=colour, fontsize=size, zorder=4
                )
            )

    def _place(self, segment: SegmentCircle | SegmentPoly | SegmentText) -> None:
        """Add one shape by the sheet's own points, whatever was drawn before it."""
        element = elm.Element()
        element.segments.append(segment)
        self._drawing.add(element.at((0, 0)).theta(0))

    def pin(self, at: Point, physical: int, note: str = "") -> None:
        """Label a pin on the right edge of the board: name inside, number outside."""
        x, y = at
        colour = OURS[physical]
        self.text((x - 0.15, y), HEADER[physical - 1], colour=colour, align="right")
        self.text((x + 0.15, y + 0.25), f"pin {physical}", colour=colour, size=10)
        if note:
            self.text((x - 0.15, y - 0.4), note, colour=FAINT, size=9, align="right")

    def svg(self) -> bytes:
        """Return the picture as SVG."""
        return _tidied(self._drawing.get_imagedata("svg").decode()).encode()


def _tidied(text: str) -> str:
    """Round coordinates, whose last digits differ between processors, and break the lines."""

    def rounded(attribute: re.Match[str]) -> str:
        return re.sub(r"-?\d+\.\d+", lambda number: f"{float(number[0]):.2f}", attribute[0])

    text = re.sub(r'"[^"]*"', rounded, text)
    text = text.replace("-0.00", "0.00").replace("stroke-dasharray:-;", "")
    text = text.replace('font-family="sans"', 'font-family="sans-serif"')
    # No break inside a text: it would count as a space and move the words.
    return re.sub(r">(?=<(?!tspan|/text))", ">\n", text).rstrip() + "\n"


def _box_resistor() -> elm.Element2Term:
    part: elm.Element2Term = elm.ResistorIEC()  # type: ignore[no-untyped-call]
    return part


def _fuse() -> elm.Element2Term:
    part: elm.Element2Term = elm.FuseIEC()  # type: ignore[no-untyped-call]
    return part


def _diode() -> elm.Element2Term:
    part: elm.Element2Term = elm.Diode()  # type: ignore[no-untyped-call]
    return part


def _resistor(
    sheet: Sheet, start: Point, end: Point, words: Sequence[str], colour: str = INK
) -> None:
    """Draw a resistor; its words stand above it, or to the right where it is upright."""
    sheet.part(_box_resistor(), start, end, colour)
    middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    if start[0] == end[0]:
        first = middle[1] + 0.22 * (len(words) - 1)
        sheet.text((middle[0] + 0.42, first), *words, size=10)
    else:
        sheet.text((middle[0], middle[1] + 0.5), *words, size=10, align="center")


def _board(sheet: Sheet, corner: Point, opposite: Point) -> None:
    """Draw the Pi as a box with its name on top."""
    sheet.box(corner, opposite, fill=PI_FILL)
    sheet.text((corner[0] + 0.2, opposite[1] - 0.4), "Raspberry Pi", size=11)


def overview() -> Sheet:
    """Draw the header from above with our pins coloured, and what hangs on each of them."""
    sheet = Sheet()
    _header_map(sheet)
    left, right = 9.6, 12.4
    _board(sheet, (left, 0.0), (right, 12.9))
    sheet.text((left, 13.6), "What is connected to what", size=13)

    # The lamp.
    for physical, y in ((2, 11.4), (11, 10.5), (9, 9.6)):
        sheet.pin((right, y), physical)
        sheet.wire((right, y), (14.2, y), colour=OURS[physical])
    sheet.box((14.2, 9.1), (17.4, 11.9), dashed=True)
    sheet.text((15.8, 10.95), "driver stage", align="center")
    sheet.text((15.8, 10.4), "with 10 kΩ", "pull-down", size=9, colour=FAINT, align="center")
    sheet.box((19.2, 9.1), (24.6, 11.9), fill=BOX_FILL)
    for y in (11.0, 10.0):
        sheet.wire((17.4, y), (19.2, y), colour=LAMP)
    sheet.text((18.3, 11.25), "control +", size=9, colour=LAMP, align="center")
    sheet.text((18.3, 10.25), "control −", size=9, colour=LAMP, align="center")
    sheet.text((21.9, 11.45), "listed, enclosed", "switching box", align="center")
    sheet.text(
        (21.9, 10.35), "normally open; stays shut;", "mains side not drawn", size=9, align="center"
    )
    sheet.text((21.9, 9.5), "the enlarger plugs in here", size=9, align="center")
    sheet.text((14.2, 8.75), "details: lamp.svg", size=9, colour=FAINT)

    # The pedal, the buzzer, and the contact that says whether the lamp is really on.
    blocks = (
        (13, 14, 7.3, "1 kΩ", "foot pedal", "switch alone, normally open", "pedal.svg"),
        (
            12,
            6,
            4.5,
            "330 Ω",
            "passive piezo buzzer",
            "no oscillator inside",
            "buzzer.svg",
        ),
        (15, 1, 1.7, "1 kΩ", "lamp sense", "isolated contact or light sensor", "sense.svg"),
    )
    for signal, other, y, ohms, name, note, details in blocks:
        colour = OURS[signal]
        sheet.pin((right, y), signal)
        sheet.pin((right, y - 0.9), other)
        sheet.part(_box_resistor(), (14.2, y), (17.4, y), colour)
        sheet.wire((right, y), (14.2, y), colour=colour)
        sheet.wire((17.4, y), (19.2, y), colour=colour)
        sheet.text((15.8, y + 0.5), ohms, size=10, align="center")
        sheet.wire((right, y - 0.9), (19.2, y - 0.9), colour=colour)
        sheet.box((19.2, y - 1.4), (24.6, y + 0.5), fill=BOX_FILL)
        sheet.text((21.9, y - 0.15), name, align="center")
        sheet.text((21.9, y - 0.75), note, size=9, align="center")
        if details:
            sheet.text((14.2, y - 1.25), f"details: {details}", size=9, colour=FAINT)
    sheet.text(
        (left, -0.55),
        "Everything drawn is 5 V or less. Keep mains leads and their boxes apart from all of it.",
        size=10,
        colour=FAINT,
    )
    return sheet


def _header_map(sheet: Sheet) -> None:
    """Draw the 40 pins as one sees them, board flat, pin 1 at the top left."""
    sheet.text((0.0, 13.6), "The 40-pin header from above", size=13)
    step, odd_x, even_x = 0.66, 3.3, 4.1
    sheet.box((2.85, 12.9 - 20 * step - 0.05), (4.55, 12.9), fill=PI_FILL)
    for number, name in enumerate(HEADER, start=1):
        y = 12.5 - (number - 1) // 2 * step
        odd = number % 2 == 1
        colour = OURS.get(number, FAINT)
        ours = number in OURS
        sheet.circle((odd_x if odd else even_x, y), 0.27, colour, filled=ours)
        sheet.text(
            (odd_x if odd else even_x, y),
            str(number),
            size=9,
            colour="white" if ours else FAINT,
            align="center",
        )
        words = name
        if ours:
            words = f"{SHORT[number]}: {name}" if odd else f"{name}: {SHORT[number]}"
        sheet.text(
            (2.65 if odd else 4.75, y),
            words,
            size=10,
            colour=colour,
            align="right" if odd else "left",
        )


def lamp() -> Sheet:
    """Draw how GPIO17 works the control input of the switching box, in two ways."""
    sheet = Sheet()
    _lamp_with_driver(sheet, 0.0)
    _lamp_direct(sheet, -8.6)
    return sheet


def _switching_box(
    sheet: Sheet, y: float, plus: float, minus: float, inputs: tuple[str, str]
) -> None:
    """Draw the closed box; its control terminals lie at the heights ``plus`` and ``minus``."""
    sheet.box((13.4, y), (20.2, y + 6.4), fill=BOX_FILL)
    for height, sign in ((plus, "+"), (minus, "−")):
        sheet.dot((13.4, height), LAMP)
        sheet.text((13.65, height), sign, size=13, colour=LAMP)
    middle = (plus + minus) / 2
    sheet.text((14.15, middle + 0.22), *inputs, size=10, colour=LAMP)
    sheet.text((16.8, y + 2.75), "Listed, enclosed switching box", size=12, align="center")
    sheet.text(
        (16.8, y + 2.15), "finished and certified, normally open", "stays shut", align="center"
    )
    sheet.text((16.8, y + 0.55), "mains side not drawn", colour=FAINT, align="center")


def _lamp_with_driver(sheet: Sheet, y: float) -> None:
    sheet.text((0, y + 7.9), "A: with a driver stage", size=13)
    sheet.text(
        (0, y + 7.35),
        "for any box with a 3–32 V DC control input, up to 50 mA",
        size=10,
        colour=FAINT,
    )
    _board(sheet, (0, y), (3.2, y + 6.8))
    sheet.box((4.6, y), (12.2, y + 6.8), dashed=True)
    sheet.text((4.8, y + 6.45), "driver stage, in a small case of its own", size=10, colour=FAINT)
    high, signal, low = y + 5.6, y + 2.9, y + 0.7
    sheet.pin((3.2, high), 2)
    sheet.pin((3.2, signal), 11)
    sheet.pin((3.2, low), 9)

    sheet.wire((3.2, high), (5.4, high), colour=SUPPLY)
    sheet.part(_fuse(), (5.4, high), (8.4, high), SUPPLY)
    sheet.text((6.9, high - 0.5), "F1, 200 mA", size=10, align="center")
    sheet.wire((8.4, high), (13.4, high), colour=SUPPLY)
    sheet.wire((3.2, signal), (5.6, signal), colour=LAMP)
    sheet.dot((5.6, signal), LAMP)
    _resistor(sheet, (5.6, signal), (5.6, low), ("R2, 10 kΩ", "pull-down"))
    sheet.dot((5.6, low))
    _resistor(sheet, (5.6, signal), (8.4, signal), ("R1, 1 kΩ",), LAMP)
    collector, emitter = sheet.transistor((8.4, signal))
    sheet.text((9.65, signal + 0.1), "T1  NPN,", "100 mA or more", size=10)
    sheet.wire((3.2, low), (emitter[0], low), emitter)
    drain = y + 4.2
    sheet.wire(collector, (collector[0], drain), (13.4, drain), colour=LAMP)
    sheet.dot((11.4, high), SUPPLY)
    sheet.dot((11.4, drain), LAMP)
    sheet.part(_diode(), (11.4, drain), (11.4, high))
    sheet.text((11.0, y + 4.9), "D1 diode", size=10, align="right")
    _switching_box(sheet, y, high, drain, ("control input,", "3–32 V DC"))


def _lamp_direct(sheet: Sheet, y: float) -> None:
    sheet.text((0, y + 7.5), "B: direct", size=13)
    sheet.text(
        (0, y + 6.95),
        "only for a box whose data sheet says: on at 2.5 V or less, and 5 mA or less",
        size=10,
        colour=FAINT,
    )
    _board(sheet, (0, y), (3.2, y + 6.4))
    signal, low = y + 5.0, y + 3.6
    ground = y + 1.4
    sheet.pin((3.2, signal), 11)
    sheet.pin((3.2, ground), 9)
    sheet.wire((3.2, signal), (5.6, signal), colour=LAMP)
    sheet.dot((5.6, signal), LAMP)
    _resistor(sheet, (5.6, signal), (5.6, ground), ("R2, 10 kΩ", "pull-down"))
    sheet.dot((5.6, ground))
    _resistor(sheet, (5.6, signal), (9.6, signal), ("R1, 100 Ω",), LAMP)
    sheet.wire((9.6, signal), (13.4, signal), colour=LAMP)
    sheet.wire((3.2, ground), (10.6, ground), (10.6, low), (13.4, low))
    _switching_box(sheet, y, signal, low, ("control input,", "3.3 V logic"))


def pedal() -> Sheet:
    """Draw the foot switch from GPIO27 to ground."""
    sheet = Sheet()
    sheet.text((0, 6.8), "The pedal: GPIO27 to ground", size=13)
    _board(sheet, (0, 0), (5.6, 6.2))
    signal, ground = 2.5, 0.9
    sheet.text((1.2, 5.05), "3.3 V", size=10, colour=FAINT, align="center")
    sheet.dot((1.2, 4.7), FAINT)
    _resistor(sheet, (1.2, 4.7), (1.2, signal), ("internal pull-up,", "about 50 kΩ"), FAINT)
    sheet.wire((1.2, signal), (3.9, signal), colour=FAINT)
    sheet.pin((5.6, signal), 13)
    sheet.pin((5.6, ground), 14)
    _resistor(sheet, (6.4, signal), (10.2, signal), ("R3, 1 kΩ",), PEDAL)
    sheet.box((11.2, 0.2), (18.0, 5.2), fill=BOX_FILL)
    sheet.text((14.6, 4.7), "Foot pedal", size=12, align="center")
    sheet.text((14.6, 4.1), "a switch and nothing else, normally open", size=9, align="center")
    sheet.wire((5.6, signal), (6.4, signal), colour=PEDAL)
    sheet.wire((10.2, signal), (12.9, signal), colour=PEDAL)
    sheet.part(elm.Switch(), (12.9, signal), (16.2, signal), PEDAL)
    sheet.wire((16.2, signal), (16.2, ground), (5.6, ground), colour=PEDAL)
    sheet.text((13.9, 1.6), "pressed = closed", size=9, colour=FAINT, align="center")
    return sheet


def buzzer() -> Sheet:
    """Draw the passive piezo on GPIO18."""
    sheet = Sheet()
    sheet.text((0, 5.2), "The buzzer: GPIO18 to ground", size=13)
    _board(sheet, (0, 0), (3.2, 4.6))
    signal, ground = 2.5, 0.9
    sheet.pin((3.2, signal), 12)
    sheet.pin((3.2, ground), 6)
    sheet.wire((3.2, signal), (4.2, signal), colour=BUZZER)
    _resistor(sheet, (4.2, signal), (8.0, signal), ("R4, 330 Ω",), BUZZER)
    sheet.box((9.0, 0.2), (15.2, 4.6), fill=BOX_FILL)
    sheet.text((12.1, 4.1), "Passive piezo buzzer", size=12, align="center")
    sheet.text((12.1, 3.5), "a bare disc in a case, no oscillator", size=9, align="center")
    # The sign for a piezo: a slab between two plates.
    sheet.wire((8.0, signal), (11.6, signal), (11.6, 2.15), colour=BUZZER)
    sheet.wire((11.2, 2.15), (12.0, 2.15), colour=BUZZER)
    sheet.box((11.2, 1.6), (12.0, 1.95), fill="white")
    sheet.wire((11.2, 1.4), (12.0, 1.4), colour=BUZZER)
    sheet.wire((11.6, 1.4), (11.6, ground), (3.2, ground), colour=BUZZER)
    sheet.text((12.3, 1.78), "either way round", size=9, colour=FAINT)
    return sheet


def sense() -> Sheet:
    """Draw what tells GPIO22 whether the lamp burns: a contact, or a sensor in its light."""
    sheet = Sheet()
    _sense_by_contact(sheet, 0.0)
    _sense_by_light(sheet, -8.6)
    return sheet


def _sense_board(sheet: Sheet, y: float, plus: float, signal: float) -> None:
    """Draw the board, and the series resistor of the line."""
    _board(sheet, (0, y), (5.6, y + 6.2))
    sheet.pin((5.6, plus), 1)
    sheet.pin((5.6, signal), 15)
    sheet.wire((5.6, signal), (6.4, signal), colour=SENSE)
    _resistor(sheet, (6.4, signal), (10.2, signal), ("R5, 1 kΩ",), SENSE)


def _sense_by_contact(sheet: Sheet, y: float) -> None:
    sheet.text((0, y + 7.5), "A: GPIO22 and an isolated contact", size=13)
    sheet.text((0, y + 6.95), "sense_active_high = true", size=10, colour=FAINT)
    plus, signal = y + 4.7, y + 3.1
    _sense_board(sheet, y, plus, signal)
    sheet.wire((1.2, signal), (3.9, signal), colour=FAINT)
    sheet.text((1.2, y + 0.35), "ground", size=10, colour=FAINT, align="center")
    sheet.dot((1.2, y + 0.7), FAINT)
    words = ("internal pull-down,", "about 50 kΩ")
    _resistor(sheet, (1.2, signal), (1.2, y + 0.7), words, FAINT)
    sheet.box((11.2, y + 0.6), (18.0, y + 6.2), fill=BOX_FILL)
    sheet.text((14.6, y + 5.7), "Certified device", size=12, align="center")
    sheet.text((14.6, y + 5.15), "contact isolated from the mains side", size=9, align="center")
    sheet.wire((10.2, signal), (12.4, signal), colour=SENSE)
    sheet.part(elm.Switch(), (12.4, signal), (15.7, signal), SENSE)
    sheet.wire((15.7, signal), (15.7, plus), (5.6, plus), colour=SENSE)
    sheet.text((14.6, y + 2.4), "closed = the lamp is on", size=9, colour=FAINT, align="center")
    sheet.text((14.6, y + 1.1), "mains side not drawn", size=9, colour=FAINT, align="center")


def _sense_by_light(sheet: Sheet, y: float) -> None:
    sheet.text((0, y + 7.5), "B: GPIO22 and a light sensor", size=13)
    sheet.text(
        (0, y + 6.95),
        "sense_active_high as the module's output has it: false where it goes low in light",
        size=10,
        colour=FAINT,
    )
    plus, signal, ground = y + 4.7, y + 3.1, y + 1.5
    _sense_board(sheet, y, plus, signal)
    sheet.pin((5.6, ground), 20)
    sheet.box((11.2, y + 0.6), (18.0, y + 6.2), fill=BOX_FILL)
    sheet.text((14.6, y + 5.7), "Light sensor module", size=12, align="center")
    sheet.wire((5.6, plus), (11.2, plus), colour=SENSE)
    sheet.wire((10.2, signal), (11.2, signal), colour=SENSE)
    sheet.wire((5.6, ground), (11.2, ground), colour=SENSE)
    for height, name in ((plus, "supply, 3.3 V"), (signal, "switching output"), (ground, "ground")):
        sheet.dot((11.2, height), SENSE)
        sheet.text((11.45, height), name, size=10, colour=SENSE)
    sheet.text((14.6, y + 2.3), "sees the enlarger's lamp, nothing else", size=9, align="center")


DRAWINGS: dict[str, Callable[[], Sheet]] = {
    "overview.svg": overview,
    "lamp.svg": lamp,
    "pedal.svg": pedal,
    "buzzer.svg": buzzer,
    "sense.svg": sense,
}


def main() -> None:
    """Write every drawing into the folder asked for."""
    parser = argparse.ArgumentParser(description="Draw the low-voltage wiring as SVG.")
    here = Path(__file__).parent
    parser.add_argument("--into", type=Path, default=here, help="folder to write to")
    folder: Path = parser.parse_args().into
    schemdraw.use("svg")
    # Words stay words, whether or not a library that turns them into curves is installed.
    svg.config.text = "text"
    # Texts are placed by their baseline, see Sheet.text.
    svg.config.useBatik = True
    for name, draw in DRAWINGS.items():
        (folder / name).write_bytes(draw().svg())


if __name__ == "__main__":
    main()
