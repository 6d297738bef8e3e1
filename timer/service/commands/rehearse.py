"""``treadle rehearse``: the main job on the simulated enlarger, in real time or faster."""

import argparse
import asyncio
from typing import Any

from timer.service.commands.common import Parsers, add_parser
from timer.service.printing import say, say_json, say_table

FAST_RATE = 20


def add(parsers: Parsers) -> None:
    """Add the command."""
    one = add_parser(
        parsers,
        "rehearse",
        "a test strip and a print with dodge and burn, on the simulated enlarger",
        "  treadle rehearse          in real time; a simulated printer listens and presses\n"
        "  treadle rehearse --fast   the same, 20 times as fast\n"
        "  treadle rehearse --foot   you press: space taps, l is a long press, q leaves",
    )
    one.add_argument("--fast", action="store_true", help=f"{FAST_RATE} times as fast")
    one.add_argument("--foot", action="store_true", help="press the pedal yourself, by keyboard")
    one.set_defaults(run=_rehearse)


def _rehearse(args: argparse.Namespace) -> None:
    from timer.service.rehearsal import rehearse  # noqa: PLC0415 -- slow to import

    rate = FAST_RATE if args.fast else 1
    sheets = asyncio.run(rehearse(rate, keyboard=args.foot, quiet=args.json))
    if args.json:
        say_json(sheets)
        return
    for sheet in sheets:
        _say_sheet(sheet, rate)


def _say_sheet(sheet: dict[str, Any], rate: int) -> None:
    say()
    say(f"{sheet['programme']}: what the paper received, from the lamp line's own history")
    say_table(
        ("place", "intended s", "received s", "error ms", "error stops"),
        (
            (
                one["place"],
                f"{one['intended_s']:.4f}",
                f"{one['received_s']:.4f}",
                f"{one['error_ms']:+.4f}",
                "no light" if one["error_stops"] is None else f"{one['error_stops']:+.6f}",
            )
            for one in sheet["places"]
        ),
    )
    if rate > 1:
        say(f"(the machine's own delays count {rate}-fold on the accelerated clock)")
