"""``treadle programme``: named programmes, kept by the daemon with all their versions."""

import argparse
import sys
from pathlib import Path
from typing import Any

from timer.errors import PlanError, TreadleError
from timer.programmes.model import Advance, Programme, Setup
from timer.programmes.text import from_toml, to_toml
from timer.service.commands.common import (
    Parsers,
    add_parser,
    add_socket,
    client_of,
    number,
    read_file,
    whole,
)
from timer.service.commands.plan import (
    add_print_options,
    add_strip_options,
    read_print,
    read_strip,
    say_print,
    say_strip,
    usual_switching,
)
from timer.service.printing import say, say_json, say_table, warn

_SETUP = ("negative", "paper", "size", "column", "aperture", "note")
_SAVE = """\
  treadle programme save "Slipway test" strip --centre 8 --step 1/3 --patches 7
  treadle programme save "Boat shed doors" print --base 12.5 --dodge face=1/2 --burn sky=1
  treadle programme save "Boat shed doors" --change print --base 14 --dodge face=1/2 --burn sky=1"""


def add(parsers: Parsers) -> None:
    """Add the commands."""
    programme = parsers.add_parser("programme", help="keep, show and exchange named programmes")
    does = programme.add_subparsers(dest="does", required=True, metavar="WHAT")
    _add_save(does)
    for name, what, run in (
        ("list", "list the programmes", _list),
        ("removed", "list the programmes that were removed", _removed),
    ):
        one = add_parser(does, name, what)
        add_socket(one)
        one.set_defaults(run=run)
    for name, what, run in (
        ("show", "show a programme", _show),
        ("versions", "list all versions of a programme", _versions),
        ("rename", "give a programme another name", _rename),
        ("remove", "remove a programme; 'restore' brings it back", _remove),
        ("restore", "bring a removed programme back", _restore),
        ("export", "write a programme as TOML", _export),
    ):
        one = add_parser(does, name, what)
        add_socket(one)
        one.add_argument("name", metavar="NAME")
        if name in ("show", "export"):
            one.add_argument("--version", metavar="N", help="an earlier version")
        if name == "rename":
            one.add_argument("to", metavar="NEW_NAME")
        if name == "export":
            one.add_argument("--output", metavar="FILE", help="write it there instead of printing")
        one.set_defaults(run=run)
    one = add_parser(
        does, "import", "read a programme from TOML", "  treadle programme import f.toml"
    )
    add_socket(one)
    one.add_argument("file", metavar="FILE", help="a file, or - for the standard input")
    one.add_argument("--change", action="store_true", help="make it the next version of its name")
    one.set_defaults(run=_import)


def _add_save(does: Parsers) -> None:
    save = add_parser(does, "save", "keep a strip or a print under a name", _SAVE)
    add_socket(save)
    save.add_argument("name", metavar="NAME")
    save.add_argument("--change", action="store_true", help="make it the name's next version")
    for name in _SETUP:
        save.add_argument(f"--{name}", metavar="TEXT", help=f"the {name}, in your own words")
    kinds = save.add_subparsers(dest="kind", required=True, metavar="KIND")
    strip = kinds.add_parser("strip", help="a test strip")
    add_strip_options(strip)
    strip.add_argument("--advance", metavar="HOW", default="count", help="count (default) or pedal")
    strip.add_argument("--pause", metavar="S", default="4", help="seconds to move the card")
    one = kinds.add_parser("print", help="a print")
    add_print_options(one)
    for kind in (strip, one):
        # As with all commands at the end too; a default here would overrule what stands before.
        kind.add_argument(
            "--json", action="store_true", default=argparse.SUPPRESS, help=argparse.SUPPRESS
        )
    save.set_defaults(run=_save)


def _read_programme(args: argparse.Namespace) -> Programme:
    setup = Setup(**{name: getattr(args, name) for name in _SETUP})
    if args.kind == "print":
        return Programme(args.name, print=read_print(args), setup=setup)
    if args.advance not in list(Advance):
        raise PlanError(f"advance: {args.advance[:40]!r} is not known; give count or pedal")
    pause = number(args.pause, "--pause") or 0.0
    return Programme(args.name, read_strip(args), None, setup, Advance(args.advance), pause)


def _save(args: argparse.Namespace) -> None:
    programme = _read_programme(args)
    one = programme.strip or programme.print
    if one is not None:
        for warning in one.plan(usual_switching(args)).warnings:
            warn(warning)
    _keep(args, to_toml(programme), f"programme {programme.name!r}")


def _import(args: argparse.Namespace) -> None:
    text = sys.stdin.read() if args.file == "-" else read_file(args.file)
    from_toml(text, args.file)  # refused here, with the file's name, before the daemon is asked
    _keep(args, text, args.file)


def _keep(args: argparse.Namespace, text: str, source: str) -> None:
    client = client_of(args)
    send = client.put if args.change else client.post
    stored = send("/programmes", programme=text, source=source)
    for warning in stored["warnings"]:
        warn(warning)
    if args.json:
        say_json(stored)
    else:
        say(f"kept: {stored['name']}, version {stored['version']}")


def _list(args: argparse.Namespace) -> None:
    _say_list(args, client_of(args).get("/programmes"))


def _removed(args: argparse.Namespace) -> None:
    _say_list(args, client_of(args).get("/programmes/removed"))


def _versions(args: argparse.Namespace) -> None:
    _say_list(args, client_of(args).post("/programmes/versions", name=args.name))


def _say_list(args: argparse.Namespace, found: list[dict[str, Any]]) -> None:
    if args.json:
        say_json(found)
        return
    say_table(
        ("name", "version", "kind", "saved"),
        ((one["name"], one["version"], one["kind"], one["saved_at"]) for one in found),
    )


def _get(args: argparse.Namespace) -> dict[str, Any]:
    version = None if args.version is None else whole(args.version, "--version")
    found: dict[str, Any] = client_of(args).post(
        "/programmes/show", name=args.name, version=version
    )
    return found


def _show(args: argparse.Namespace) -> None:
    stored = _get(args)
    if args.json:
        say_json(stored)
        return
    programme = from_toml(stored["programme"], stored["name"])
    say(f"{stored['name']}, version {stored['version']}, saved {stored['saved_at']}")
    for name in _SETUP:
        if (text := getattr(programme.setup, name)) is not None:
            say(f"{name}: {text}")
    say()
    if programme.strip is not None:
        say_strip(programme.strip.plan())
    elif programme.print is not None:
        say_print(programme.print.plan())


def _export(args: argparse.Namespace) -> None:
    stored = _get(args)
    if args.json:
        say_json(stored)
    elif args.output is None:
        sys.stdout.write(stored["programme"])
    else:
        try:
            # Never over a file that is there: it may be the only copy of something.
            with Path(args.output).open("x", encoding="utf-8") as file:
                file.write(stored["programme"])
        except FileExistsError:
            raise TreadleError(f"{args.output}: this file is there already; name another") from None
        except OSError as error:
            raise TreadleError(f"{args.output}: can't be written ({error.strerror})") from None


def _rename(args: argparse.Namespace) -> None:
    _done(args, client_of(args).post("/programmes/rename", name=args.name, to=args.to), "renamed")


def _remove(args: argparse.Namespace) -> None:
    answer = client_of(args).post("/programmes/remove", name=args.name)
    if args.json:
        say_json(answer)
    else:
        say(f"removed: {answer['removed']}; 'treadle programme restore' brings it back")


def _restore(args: argparse.Namespace) -> None:
    _done(args, client_of(args).post("/programmes/restore", name=args.name), "restored")


def _done(args: argparse.Namespace, stored: dict[str, Any], what: str) -> None:
    if args.json:
        say_json(stored)
    else:
        say(f"{what}: {stored['name']}, version {stored['version']}")
