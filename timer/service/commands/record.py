"""``treadle record``: what was really exposed."""

import argparse
from typing import Any

from timer.clock import to_seconds
from timer.errors import PlanError
from timer.service.commands.common import Parsers, add_parser, add_socket, client_of, whole
from timer.service.printing import say, say_json, say_table


def add(parsers: Parsers) -> None:
    """Add the commands."""
    record = parsers.add_parser("record", help="what was really exposed")
    does = record.add_subparsers(dest="does", required=True, metavar="WHAT")
    one = add_parser(does, "list", "list the newest sheets")
    add_socket(one)
    one.add_argument("--limit", metavar="N", default="20", help="how many (default 20)")
    one.set_defaults(run=_list)
    one = add_parser(does, "show", "show a sheet, pass by pass", "  treadle record show 12")
    add_socket(one)
    one.add_argument("number", metavar="SHEET")
    one.set_defaults(run=_show)


def _list(args: argparse.Namespace) -> None:
    found = client_of(args).get(f"/record?limit={whole(args.limit, '--limit')}")
    if args.json:
        say_json(found)
        return
    say_table(
        ("sheet", "started", "programme", "version", "outcome"),
        (
            (
                one["sheet"],
                one["started_at"],
                one["programme"],
                one["version"] or "-",
                one["outcome"] or "open",
            )
            for one in found
        ),
    )


def _show(args: argparse.Namespace) -> None:
    number = whole(args.number, "sheet")
    if number < 1:
        raise PlanError(f"sheet: {args.number[:40]} is no sheet's number; they begin with 1")
    sheet = client_of(args).get(f"/record/{number}")
    if args.json:
        say_json(sheet)
        return
    say(f"sheet {sheet['sheet']}: {sheet['programme']}, version {sheet['version'] or 'not kept'}")
    say(f"started {sheet['started_at']}, {sheet['outcome'] or 'open'}")
    say_table(
        ("pass", "attempt", "what", "state", "intended s", "received s"),
        (
            (
                one["number"],
                one["attempt"],
                one["kind"] + (f" {one['label']}" if one["label"] else ""),
                one["state"],
                f"{to_seconds(one['intended_ns']):.6f}",
                _received(one),
            )
            for one in sheet["passes"]
        ),
    )


def _received(one: dict[str, Any]) -> str:
    if one["received_ns"] is not None:
        return f"{to_seconds(one['received_ns']):.6f}"
    if one["received_least_ns"] is None:
        return "-"
    return (
        f"{to_seconds(one['received_least_ns']):.3f} to {to_seconds(one['received_most_ns']):.3f}"
    )
