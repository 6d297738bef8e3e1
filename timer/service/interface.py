"""The daemon's interface: HTTP and WebSocket over a Unix socket."""

import asyncio
import logging
import os
import socket
import time
from collections.abc import Awaitable, Callable, Sequence
from concurrent.futures import Future
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Any, Protocol, TypeVar

import msgspec
from aiohttp import WSMsgType, web

from timer.clock import NS_PER_SECOND, to_seconds
from timer.control.run import Run
from timer.control.table import Input
from timer.errors import (
    FormatError,
    NameClashError,
    PlanError,
    RefusedError,
    ServiceError,
    StoreError,
    TreadleError,
    UnknownNameError,
)
from timer.foot import STALE_SECONDS
from timer.keeper.link import KeeperLink
from timer.programmes.model import Programme
from timer.programmes.passes import Pass, passes_of
from timer.programmes.store import ProgrammeStore, StoredProgramme
from timer.programmes.text import from_toml, to_toml
from timer.record.sheets import PassRecord, SheetRecord
from timer.record.store import Record
from timer.service.client import ASKED_AT
from timer.service.config import Config
from timer.service.dark_way import DarkWay
from timer.service.listeners import Listeners, shown_status
from timer.service.record_writer import RecordWriter

LARGEST_BODY_BYTES = 2 << 20
PRESSES = {
    "tap": (Input.PRESS, Input.TAP),
    "long": (Input.PRESS, Input.LONG, Input.AGAIN),
    "leave": (Input.PRESS, Input.LONG, Input.LEAVE),
}
_STATUS_OF: dict[type[TreadleError], int] = {
    PlanError: 400,
    FormatError: 400,
    UnknownNameError: 404,
    NameClashError: 409,
    RefusedError: 409,
    StoreError: 503,
}
_Answer = TypeVar("_Answer")
_log = logging.getLogger(__name__)
_Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Parts(Protocol):
    """The parts of the daemon that the interface reaches."""

    config: Config
    dark_way: DarkWay
    link: KeeperLink
    listeners: Listeners
    record: Record
    store: ProgrammeStore
    writer: RecordWriter


def _json(what: object, status: int = 200) -> web.Response:
    return web.Response(
        body=msgspec.json.encode(what), status=status, content_type="application/json"
    )


@web.middleware
async def _tell_errors(request: web.Request, handler: _Handler) -> web.StreamResponse:
    """Answer every error with one sentence and the exit code of the command line."""
    try:
        return await handler(request)
    except TreadleError as error:
        status = next((s for kind, s in _STATUS_OF.items() if isinstance(error, kind)), 500)
        return _json({"error": str(error), "exit_code": error.exit_code}, status)
    except web.HTTPException as error:
        sentence = f"{request.method} {request.path}: {error.reason}"
        return _json({"error": sentence, "exit_code": TreadleError.exit_code}, error.status)
    except Exception:
        _log.exception("%s %s failed", request.method, request.path)
        sentence = f"{request.method} {request.path}: an error inside Treadle; see its log"
        return _json({"error": sentence, "exit_code": TreadleError.exit_code}, 500)


class Interface:
    """The handlers, one for each thing that can be asked of the daemon."""

    def __init__(self, daemon: Parts) -> None:
        self._daemon = daemon

    def routes(self) -> list[web.RouteDef]:
        """Return what is answered, method and path."""
        return [
            web.get("/status", self.status),
            web.get("/events", self.events),
            web.get("/health", self.health),
            web.post("/arm", self.arm),
            web.post("/pedal", self.pedal),
            web.post("/view", self.simple(Input.VIEW)),
            web.post("/dark", self.simple(Input.DARK)),
            web.post("/clear", self.simple(Input.CLEAR)),
            web.post("/paper/out", self.simple(Input.PAPER_OUT)),
            web.post("/paper/away", self.simple(Input.PAPER_AWAY)),
            web.get("/programmes", self.programmes),
            web.post("/programmes", self.add),
            web.put("/programmes", self.change),
            web.get("/programmes/removed", self.removed),
            web.post("/programmes/show", self.show),
            web.post("/programmes/versions", self.versions),
            web.post("/programmes/rename", self.rename),
            web.post("/programmes/remove", self.remove),
            web.post("/programmes/restore", self.restore),
            web.get("/record", self.sheets),
            web.get("/record/{number:\\d{1,18}}", self.sheet),
        ]

    # The enlarger.

    async def status(self, _request: web.Request) -> web.Response:
        """Answer with the state of the moment."""
        return _json(shown_status(await _soon(self._daemon.dark_way.status())))

    async def health(self, _request: web.Request) -> web.Response:
        """Answer with how keeper and dark way are."""
        link = self._daemon.link
        return _json(
            {
                "well": self._daemon.dark_way.is_well,
                "daemon_pid": os.getpid(),
                "keeper_pid": link.pid,
                "real_time": link.scheduled,
                "memory_locked": link.locked,
            }
        )

    def simple(self, one: Input) -> _Handler:
        """Return a handler that hands ``one`` to the state machine."""

        async def handler(request: web.Request) -> web.Response:
            return await self._handle(request, one)

        return handler

    async def pedal(self, request: web.Request) -> web.Response:
        """Press the pedal as the body says: tap, long, leave."""
        press = _text(await _body(request), "press")
        if press not in PRESSES:
            raise FormatError(f"pedal: {press[:40]!r} is no press; give {', '.join(PRESSES)}")
        return await self._handle(request, *PRESSES[press])

    async def arm(self, request: web.Request) -> web.Response:
        """Arm a stored programme by name, or the one whose text is given."""
        _refuse_stale(request)
        body = await _body(request)
        if "programme" in body:
            run = Run(from_toml(_text(body, "programme"), "the programme given"), None)
        else:
            stored = await self._stored(body)
            run = Run(stored.programme, stored.version)
        too_long = self._too_long(run.passes)
        if too_long is not None:
            raise PlanError(too_long)
        self._refuse_hot(run.passes)
        if not await _soon(self._daemon.dark_way.handle(Input.ARM, run=run)):
            await self._refuse("arm")
        return await self.status(request)

    def _too_long(self, passes: Sequence[Pass]) -> str | None:
        """Return a sentence on the first pass that the lamp may not be on for, if there is one."""
        longest_s = self._daemon.config.lamp.longest_s
        for one in passes:
            if one.intended_ns > longest_s * NS_PER_SECOND:
                return (
                    f"pass {one.number} takes {to_seconds(one.intended_ns):g} s, longer than"
                    f" lamp.longest_s ({longest_s:g} s) in the configuration; open the lens up"
                )
        return None

    def _refuse_hot(self, passes: Sequence[Pass]) -> None:
        """Refuse what the lamp could not go through with before it must cool."""
        left_ns = self._daemon.link.lamp_left_ns
        wanted_ns = sum(one.intended_ns for one in passes)
        if left_ns is not None and wanted_ns > left_ns:
            raise RefusedError(
                f"arm: it takes {to_seconds(wanted_ns):.1f} s of light, and"
                f" lamp.most_per_hour_s leaves {to_seconds(left_ns):.1f} s; let the lamp cool"
            )

    def _kept(self, stored: StoredProgramme) -> dict[str, Any]:
        too_long = self._too_long(passes_of(stored.programme))
        return _shown(stored) | {"warnings": [] if too_long is None else [too_long]}

    async def _handle(self, request: web.Request, *inputs: Input) -> web.Response:
        if inputs[0] is not Input.DARK:
            _refuse_stale(request)
        if not await _soon(self._daemon.dark_way.handle(*inputs)):
            await self._refuse(inputs[-1].value)
        if inputs[0] is Input.PAPER_OUT:
            # Answered when it is on the disk: the next start must not forget it.
            await self._ask(lambda: self._daemon.record.set_paper_out(True))
        return _json(shown_status(await _soon(self._daemon.dark_way.status())))

    async def _refuse(self, what: str) -> None:
        status = await _soon(self._daemon.dark_way.status())
        state = status.state.value
        why = f" ({status.fault})" if status.fault else ""
        mend = _MENDS.get(state, "go on with the pedal")
        raise RefusedError(f"{what}: refused in the state {state!r}{why}; {mend}")

    # Programmes.

    async def _stored(self, body: dict[str, Any]) -> StoredProgramme:
        name, version = _text(body, "name"), body.get("version")
        if version is not None and not isinstance(version, int):
            raise FormatError("version: give a whole number")
        return await self._ask(lambda: self._daemon.store.get(name, version))

    async def _programme(self, request: web.Request) -> Programme:
        body = await _body(request)
        source = body.get("source", "the programme given")
        return from_toml(_text(body, "programme"), source if isinstance(source, str) else "text")

    async def programmes(self, _request: web.Request) -> web.Response:
        """List the programmes."""
        return _json([_shown(one) for one in await self._ask(self._daemon.store.list)])

    async def removed(self, _request: web.Request) -> web.Response:
        """List the programmes that were removed."""
        return _json([_shown(one) for one in await self._ask(self._daemon.store.removed)])

    async def show(self, request: web.Request) -> web.Response:
        """Show one programme."""
        return _json(_shown(await self._stored(await _body(request))))

    async def add(self, request: web.Request) -> web.Response:
        """Keep a new programme."""
        programme = await self._programme(request)
        stored = await self._ask(lambda: self._daemon.store.add(programme))
        return _json(self._kept(stored), 201)

    async def change(self, request: web.Request) -> web.Response:
        """Keep a new version of a programme."""
        programme = await self._programme(request)
        return _json(self._kept(await self._ask(lambda: self._daemon.store.change(programme))))

    async def versions(self, request: web.Request) -> web.Response:
        """List all versions of a programme."""
        name = _text(await _body(request), "name")
        found = await self._ask(lambda: self._daemon.store.versions(name))
        return _json([_shown(one) for one in found])

    async def rename(self, request: web.Request) -> web.Response:
        """Give a programme another name."""
        body = await _body(request)
        old, new = _text(body, "name"), _text(body, "to")
        return _json(_shown(await self._ask(lambda: self._daemon.store.rename(old, new))))

    async def remove(self, request: web.Request) -> web.Response:
        """Remove a programme; it can be restored."""
        name = _text(await _body(request), "name")
        await self._ask(lambda: self._daemon.store.remove(name))
        return _json({"removed": name})

    async def restore(self, request: web.Request) -> web.Response:
        """Bring a removed programme back."""
        name = _text(await _body(request), "name")
        return _json(_shown(await self._ask(lambda: self._daemon.store.restore(name))))

    # The record.

    async def sheets(self, request: web.Request) -> web.Response:
        """List the newest sheets."""
        limit = request.query.get("limit", "20")
        if not limit.isdecimal() or not 1 <= int(limit[:9]) <= 1000:
            raise PlanError("limit: give a whole number from 1 to 1000")
        found = await self._ask(lambda: self._daemon.record.sheets(int(limit)))
        return _json([_shown_sheet(one) for one in found])

    async def sheet(self, request: web.Request) -> web.Response:
        """Show one sheet."""
        number = int(request.match_info["number"])
        return _json(_shown_sheet(await self._ask(lambda: self._daemon.record.sheet(number))))

    async def _ask(self, what: Callable[[], _Answer]) -> _Answer:
        return await _soon(self._daemon.writer.ask(what))

    # Events.

    async def events(self, request: web.Request) -> web.WebSocketResponse:
        """Send the status now and every event from now on, until the listener leaves."""
        listener = web.WebSocketResponse(heartbeat=30.0)
        await listener.prepare(request)
        queue = self._daemon.listeners.add()
        status = await _soon(self._daemon.dark_way.status())
        sending = asyncio.ensure_future(_send(listener, queue, shown_status(status)))
        try:
            async for message in listener:
                if message.type is WSMsgType.ERROR:
                    break
        finally:
            self._daemon.listeners.remove(queue)
            sending.cancel()
        return listener


_MENDS = {
    "dark": "arm a programme first",
    "paper out": "put the paper away first, or arm a programme",
    "viewing": "tap to end the viewing first",
    "preparing": "wait for the sound that says ready",
    "waiting": "tap to start the pass, or leave the programme",
    "exposing": "hold the pass, or go dark",
    "held": "tap to go on, or press long to give it up",
    "fault": "mend it, then clear the fault",
}


async def _send(
    listener: web.WebSocketResponse, queue: "asyncio.Queue[Any]", status: dict[str, Any]
) -> None:
    try:
        await listener.send_str(msgspec.json.encode({"event": "status", **status}).decode())
        while True:
            await listener.send_str(msgspec.json.encode(await queue.get()).decode())
    except (ConnectionError, RuntimeError):
        return


async def _soon(answer: "Future[_Answer]") -> _Answer:
    return await asyncio.wrap_future(answer)


def _refuse_stale(request: web.Request) -> None:
    """Refuse what was asked for before a standstill of this machine."""
    asked = request.headers.get(ASKED_AT, "")
    if not asked.isdecimal() or len(asked) > 20:
        return
    if time.monotonic_ns() - int(asked) > STALE_SECONDS * NS_PER_SECOND:
        raise RefusedError(
            f"{request.path}: refused, since it was asked for too long ago; look, then ask again"
        )


async def _body(request: web.Request) -> dict[str, Any]:
    try:
        body = msgspec.json.decode(await request.read() or b"{}")
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise FormatError(f"{request.path}: the request is not JSON ({error})") from None
    except RecursionError:
        raise FormatError(f"{request.path}: the request is nested too deeply") from None
    if not isinstance(body, dict):
        raise FormatError(f"{request.path}: the request must be a JSON object")
    return body


def _text(body: dict[str, Any], key: str) -> str:
    value = body.get(key)
    if not isinstance(value, str):
        raise FormatError(f"{key}: it is missing, or not text; give it in the request")
    return value


def _shown(stored: StoredProgramme) -> dict[str, Any]:
    one = stored.programme
    return {
        "name": one.name,
        "version": stored.version,
        "saved_at": stored.saved_at,
        "kind": "strip" if one.strip is not None else "print",
        "programme": to_toml(one),
    }


def _shown_sheet(sheet: SheetRecord) -> dict[str, Any]:
    return {
        "sheet": sheet.number,
        "started_at": sheet.started_at,
        "closed_at": sheet.closed_at,
        "outcome": sheet.outcome,
        "programme": sheet.name,
        "version": sheet.version,
        "passes": [
            {
                "number": one.number,
                "attempt": one.attempt,
                "kind": one.kind,
                "label": one.label,
                "filter": one.filter,
                "state": one.state,
                "intended_ns": one.intended_ns,
                "received_ns": _received_ns(one),
                "received_least_ns": None if one.received is None else one.received.least_ns,
                "received_most_ns": None if one.received is None else one.received.most_ns,
                "periods": [{"on_ns": p.on_ns, "off_ns": p.off_ns} for p in one.periods],
            }
            for one in sheet.passes
        ],
    }


def _received_ns(one: PassRecord) -> int | None:
    """Return the measure; of a pass under way, what its ended periods come to."""
    if one.received is not None:
        return one.received.exact_ns
    return one.measured_ns if one.periods else None


async def serve_interface(daemon: Parts, stack: AsyncExitStack) -> None:
    """Serve until ``stack`` closes; ServiceError where the socket can't be had."""
    path = Path(daemon.config.service.socket)
    _make_way(path)
    app = web.Application(middlewares=[_tell_errors], client_max_size=LARGEST_BODY_BYTES)
    app.add_routes(Interface(daemon).routes())
    runner = web.AppRunner(app, access_log=None, shutdown_timeout=0.5)
    await runner.setup()
    stack.callback(path.unlink, missing_ok=True)
    stack.push_async_callback(runner.cleanup)
    try:
        await web.UnixSite(runner, str(path)).start()
        path.chmod(0o660)
    except OSError as error:
        raise ServiceError(
            f"{path}: the socket can't be opened ({error.strerror or error}); check that its folder"
            " is there and that this user may write to it"
        ) from None


def _make_way(path: Path) -> None:
    """Remove a socket that a dead daemon left; refuse one that is in use, or anything else."""
    if not path.exists():
        return
    if not path.is_socket():
        raise ServiceError(f"{path}: this is not a socket; name another path in the configuration")
    with socket.socket(socket.AF_UNIX) as probe:
        try:
            probe.connect(str(path))
        except (ConnectionRefusedError, FileNotFoundError):
            path.unlink(missing_ok=True)
        except OSError as error:
            raise ServiceError(f"{path}: the socket can't be tried ({error.strerror})") from None
        else:
            raise ServiceError(f"{path}: the socket is in use by another program; stop it first")
