"""What several commands share: their options, and reading what was typed."""

import argparse
from pathlib import Path
from typing import Any

from timer.errors import PlanError, TreadleError
from timer.service.client import DEFAULT_SOCKET, Client

Parsers = Any  # argparse names the type of its sub-parsers only in private


def add_parser(
    parsers: Parsers, name: str, does: str, example: str | None = None
) -> argparse.ArgumentParser:
    """Return a new command's parser, with its examples and ``--json``."""
    parser: argparse.ArgumentParser = parsers.add_parser(
        name,
        help=does,
        description=does[0].upper() + does[1:] + ".",
        epilog=None if example is None else f"examples:\n{example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--json", action="store_true", help="print JSON, for programs")
    return parser


def add_config(parser: argparse.ArgumentParser) -> None:
    """Add the option that names the configuration."""
    parser.add_argument(
        "--config", metavar="FILE", help="the configuration (or TREADLE_CONFIG in the environment)"
    )


def add_socket(parser: argparse.ArgumentParser) -> None:
    """Add the options that say where the daemon is."""
    add_config(parser)
    parser.add_argument("--socket", metavar="PATH", help="the daemon's socket")


def client_of(args: argparse.Namespace) -> Client:
    """Return the daemon that the options name, or the configuration, or the default."""
    if args.socket:
        return Client(Path(args.socket))
    from timer.service.config import config_path, load_config  # noqa: PLC0415 -- not for every call

    path = config_path(args.config)
    try:
        is_there = path.exists()
    except PermissionError:
        raise TreadleError(
            f"{path}: this user may not read it; join the group treadle ('sudo usermod -aG treadle"
            " NAME') and log in again"
        ) from None
    if args.config or is_there:
        return Client(Path(load_config(path).service.socket))
    return Client(Path(DEFAULT_SOCKET))


def number(text: str | None, what: str) -> float | None:
    """Return the number typed for ``what``; PlanError where it is none."""
    if text is None:
        return None
    try:
        return float(text)
    except ValueError:
        raise PlanError(f"{what}: {text[:40]!r} is not a number of seconds") from None


def whole(text: str, what: str) -> int:
    """Return the whole number typed for ``what``; PlanError where it is none."""
    try:
        return int(text[:400])
    except ValueError:
        raise PlanError(f"{what}: {text[:40]!r} is not a whole number") from None


def read_file(path: str) -> str:
    """Return the text in the file at ``path``; a TreadleError where it can't be read."""
    try:
        return Path(path).read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise TreadleError(
            f"{path}: this is not UTF-8 text; take the file as it was saved"
        ) from None
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise TreadleError(f"{path}: can't be read ({why}); check its name") from None
