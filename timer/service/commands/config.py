"""``treadle config``: checking a configuration, and an example to begin with."""

import argparse
import sys
from pathlib import Path

from timer.service.commands.common import Parsers, add_config, add_parser
from timer.service.printing import say, say_json


def add(parsers: Parsers) -> None:
    """Add the commands."""
    config = parsers.add_parser("config", help="check the configuration, or print an example")
    does = config.add_subparsers(dest="does", required=True, metavar="WHAT")
    check = add_parser(does, "check", "check the configuration; names line and field")
    add_config(check)
    check.add_argument("file", metavar="FILE", nargs="?")
    check.set_defaults(run=_check)
    example = add_parser(does, "example", "print a configuration with all defaults")
    example.add_argument(
        "--simulated", action="store_true", help="for a machine without GPIO, files beside it"
    )
    example.set_defaults(run=_example)


def _check(args: argparse.Namespace) -> None:
    from timer.service.config import config_path, load_config  # noqa: PLC0415 -- only here needed

    path = config_path(args.file or args.config)
    config = load_config(path)
    if args.json:
        import msgspec  # noqa: PLC0415

        say_json({"file": str(path), "sound": True, "values": msgspec.to_builtins(config)})
    else:
        say(f"{path}: sound")


def _example(args: argparse.Namespace) -> None:
    from timer.service.config import EXAMPLE, simulated_example  # noqa: PLC0415

    example = simulated_example(Path.cwd() / "treadle-data") if args.simulated else EXAMPLE
    if args.json:
        say_json({"example": example})
    else:
        sys.stdout.write(example)
