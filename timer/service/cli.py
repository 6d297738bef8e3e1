"""The command line: one command, one module that does it, errors in one sentence."""

import argparse
import errno
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn

from hardware.errors import HardwareError
from timer import __version__
from timer.errors import PlanError, TreadleError
from timer.service.printing import say, warn

_LONGEST_COMPLAINT = 300
_EPILOG = """\
exit codes:
  0  done
  1  an error not named below
  2  what was asked for makes no sense: a plan, a programme's text, a configuration, the options
  3  no such name or number, or a name that is taken
  4  the database can't be used; nothing in it was changed
  5  refused: the enlarger's present state does not allow it
  6  the daemon can't start or can't be reached
  7  the keeper can't be started
  8  a device can't be opened or does not do what it is told
  130  ended by Ctrl-C

The lamp of an enlarger runs on mains voltage and gets hot. Use finished,
certified, enclosed switching devices only; see docs/wiring.
"""


class _Parser(argparse.ArgumentParser):
    """A parser that complains in one sentence, as everything here does."""

    def error(self, message: str) -> NoReturn:
        # The parser repeats what was typed: a terminal must not be made to obey it.
        clean = "".join(c if c.isprintable() else "?" for c in message[: _LONGEST_COMPLAINT + 1])
        if len(clean) > _LONGEST_COMPLAINT:
            clean = clean[:_LONGEST_COMPLAINT] + "…"
        raise PlanError(f"{clean}; see '{self.prog} --help'")


def build_parser() -> argparse.ArgumentParser:
    """Return the parser with all commands."""
    from timer.service.commands import (  # noqa: PLC0415 -- each imports what only it needs, later
        config,
        doctor,
        enlarger,
        plan,
        programme,
        record,
        rehearse,
    )

    parser = _Parser(
        prog="treadle",
        description="The controller of a black-and-white enlarger.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"treadle {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for module in (plan, programme, enlarger, record, config, doctor, rehearse):
        module.add(commands)
    completion = commands.add_parser("completion", help="print a shell's completion script")
    completion.add_argument("shell", choices=("bash", "zsh", "tcsh"))
    completion.set_defaults(run=_completion)
    return parser


def _completion(args: argparse.Namespace) -> None:
    try:
        import shtab  # noqa: PLC0415 -- an extra
    except ImportError:
        raise TreadleError(
            "completion: the library shtab is missing; install it with: pip install shtab"
        ) from None
    say(shtab.complete(build_parser(), args.shell))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code."""
    try:
        args = build_parser().parse_args(arguments)
        args.run(args)
        sys.stdout.flush()
    except (TreadleError, HardwareError) as error:
        warn(str(error))
        return error.exit_code
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # Whoever read our output has had enough.
        with suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        mend = "make room" if error.errno == errno.ENOSPC else "check its name and its permissions"
        warn(f"{error.filename or 'the output'}: can't be used ({error.strerror}); {mend}")
        return TreadleError.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main())
