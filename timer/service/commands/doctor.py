"""``treadle doctor``: what is amiss on this machine, and how to mend it."""

import argparse
from dataclasses import asdict

from timer.errors import TreadleError
from timer.service.commands.common import Parsers, add_config, add_parser
from timer.service.printing import say, say_json


def add(parsers: Parsers) -> None:
    """Add the command."""
    doctor = add_parser(
        parsers, "doctor", "check chip, pins, permissions, clock and real-time rights"
    )
    add_config(doctor)
    doctor.set_defaults(run=_doctor)


def _doctor(args: argparse.Namespace) -> None:
    from timer.service.config import config_path  # noqa: PLC0415 -- only here needed
    from timer.service.health import examine  # noqa: PLC0415

    findings = list(examine(config_path(args.config)))
    if args.json:
        say_json([asdict(one) | ({"mend": None} if one.sound else {}) for one in findings])
    else:
        for one in findings:
            say(f"{'sound' if one.sound else 'AMISS'}  {one.what}: {one.found}")
            if one.mend and not one.sound:
                say(f"       {one.mend}")
    amiss = sum(not one.sound for one in findings)
    if amiss:
        raise TreadleError(f"doctor: {amiss} of {len(findings)} things are amiss; see above")
