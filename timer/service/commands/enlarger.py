"""The commands that reach the enlarger: serve, arm, pedal, view, dark, paper, clear, status."""

import argparse
import asyncio
import logging
from pathlib import Path
from typing import Any

from timer.clock import SteadyClock, to_seconds
from timer.errors import PlanError, RefusedError, TreadleError
from timer.service.client import Client, no_daemon
from timer.service.commands.common import (
    Parsers,
    add_config,
    add_parser,
    add_socket,
    client_of,
    read_file,
    whole,
)
from timer.service.printing import say, say_json

_Fields = dict[str, Any]


def add(parsers: Parsers) -> None:
    """Add the commands."""
    serve = add_parser(parsers, "serve", "run the daemon", "  treadle serve --config treadle.toml")
    add_config(serve)
    serve.set_defaults(run=_serve)

    arm = add_parser(
        parsers, "arm", "arm a programme; the pedal starts it", '  treadle arm "Boat shed doors"'
    )
    add_socket(arm)
    arm.add_argument("name", metavar="NAME", nargs="?")
    arm.add_argument("--version", metavar="N", help="an earlier version")
    arm.add_argument("--file", metavar="FILE", help="a programme as TOML, without keeping it")
    arm.set_defaults(run=_arm)

    pedal = add_parser(
        parsers,
        "pedal",
        "press the pedal from here",
        "  treadle pedal         start, go on, continue; while exposing: hold, then continue\n"
        "  treadle pedal long    give up what runs or is held; else: once more\n"
        "  treadle pedal leave   leave the programme, put the paper away",
    )
    add_socket(pedal)
    pedal.add_argument(
        "press", metavar="PRESS", nargs="?", default="tap", help="tap (default), long, or leave"
    )
    pedal.set_defaults(run=_pedal)

    for name, path, does in (
        ("view", "/view", "lamp on to compose and focus, for a limited time"),
        ("clear", "/clear", "clear a fault that was mended"),
    ):
        one = add_parser(parsers, name, does)
        add_socket(one)
        one.set_defaults(run=_post(path))
    dark = add_parser(parsers, "dark", "lamp off at once; a running pass is given up")
    add_socket(dark)
    dark.add_argument(
        "--force", action="store_true", help="without a daemon: force the lamp's line off"
    )
    dark.set_defaults(run=_dark)
    paper = parsers.add_parser("paper", help="say that paper is out, or put away")
    wheres = paper.add_subparsers(dest="where", required=True, metavar="WHERE")
    for where, does in (("out", "paper is out: no viewing"), ("away", "paper is put away")):
        one = add_parser(wheres, where, does)
        add_socket(one)
        one.set_defaults(run=_post(f"/paper/{where}"))
    status = add_parser(parsers, "status", "what is happening", "  treadle status --follow")
    add_socket(status)
    status.add_argument("--follow", action="store_true", help="go on telling until Ctrl-C")
    status.set_defaults(run=_status)


def _serve(args: argparse.Namespace) -> None:
    from timer.service.config import config_path, load_config  # noqa: PLC0415 -- only here needed
    from timer.service.daemon import serve  # noqa: PLC0415

    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    # It tells a dozen lines for each input, in the dark way, which must not wait for a log.
    logging.getLogger("transitions").setLevel(logging.WARNING)
    asyncio.run(serve(load_config(config_path(args.config))))


def _arm(args: argparse.Namespace) -> None:
    client = client_of(args)
    if (args.name is None) == (args.file is None):
        raise PlanError("arm: give either a programme's name or --file")
    if args.file is not None:
        _tell(args, client.post("/arm", programme=read_file(args.file)))
        return
    version = None if args.version is None else whole(args.version, "--version")
    _tell(args, client.post("/arm", name=args.name, version=version))


def _pedal(args: argparse.Namespace) -> None:
    _tell(args, client_of(args).post("/pedal", press=args.press))


def _post(path: str) -> Any:  # noqa: ANN401 -- a command's function
    def run(args: argparse.Namespace) -> None:
        _tell(args, client_of(args).post(path))

    return run


def _dark(args: argparse.Namespace) -> None:
    if not args.force:
        _tell(args, client_of(args).post("/dark"))
        return
    from timer.keeper.journal import note_forced_off  # noqa: PLC0415
    from timer.keeper.link import force_off  # noqa: PLC0415
    from timer.service.config import config_path, load_config  # noqa: PLC0415
    from timer.service.lock import is_locked  # noqa: PLC0415

    config, clock = load_config(config_path(args.config)), SteadyClock()
    note_forced_off(config.journal, force_off(config.lamp_text, clock))
    if is_locked(Path(config.service.runtime)):
        raise RefusedError(
            "the lamp's line was forced off, but a daemon runs that may switch it on again;"
            " use 'treadle dark', or stop the daemon"
        )
    if args.json:
        say_json({"lamp": "off"})
    else:
        say("the lamp's line was forced off")


def _status(args: argparse.Namespace) -> None:
    client = client_of(args)
    if not args.follow:
        _tell(args, client.get("/status"))
        return
    try:
        asyncio.run(_follow(client, args.json))
    except KeyboardInterrupt:
        return


async def _follow(client: Client, as_json: bool) -> None:
    from aiohttp import ClientError, ClientSession, UnixConnector  # noqa: PLC0415 -- slow to import

    try:
        async with (
            ClientSession(connector=UnixConnector(str(client.path))) as session,
            session.ws_connect("http://localhost/events") as events,
        ):
            async for message in events:
                event = message.json()
                if as_json:
                    say_json(event)
                elif (line := event_line(event)) is not None:
                    say(line)
    except ClientError as error:
        cause = getattr(error, "os_error", None) or OSError(str(error))
        raise no_daemon(Path(client.path), cause) from None
    raise TreadleError("the daemon has ended; start it again and follow it anew")


def event_line(event: _Fields) -> str | None:
    """Return an event as a line for a person; None where it says nothing new."""
    if event["event"] == "trouble":
        return f"trouble: {event['trouble']}"
    if event["event"] == "cue":
        if event["cue"] in ("tick", "fifth"):
            return None
        return f"  sound: {event['cue']}" + (f" ({event['label']})" if event["label"] else "")
    return status_line(event)


def status_line(status: _Fields) -> str:
    """Return the status in one line."""
    parts = [status["state"]]
    if status["programme"] is not None:
        parts.append(status["programme"])
        what = status["kind"] + (f" {status['label']}" if status["label"] else "")
        parts.append(f"pass {status['pass']} of {status['passes']} ({what})")
        parts.append(f"{to_seconds(status['intended_ns']):.2f} s")
    if status["left_s"] is not None:
        parts.append(f"{status['left_s']:.1f} s left")
    if status["hands"]:
        parts.append(f"next: {status['hands']}")
    if status["fault"]:
        parts.append(status["fault"])
    if status["recovered"]:
        parts.append(status["recovered"])
    return "; ".join(parts)


def _tell(args: argparse.Namespace, status: _Fields) -> None:
    if args.json:
        say_json(status)
    else:
        say(status_line(status))
