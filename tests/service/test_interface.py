"""The interface over the socket: what it refuses, and listeners who never hold an exposure up."""

import asyncio
import json
import socket
from contextlib import AsyncExitStack, closing

import pytest
from aiohttp import ClientSession, UnixConnector, WSMsgType

NS = 1_000_000_000
LATE_NS = NS // 4
UPGRADE = (
    b"GET /events HTTP/1.1\r\nHost: localhost\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    b"Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
)


def sentence(answer):
    """The one sentence of a refusal, with its exit code for the command line beside it."""
    told = answer[1]
    assert set(told) == {"error", "exit_code"}
    assert told["exit_code"] > 0
    assert "\n" not in told["error"]
    return told["error"]


def test_a_path_that_is_not_there(shared):
    answer = shared.ask("GET", "/develop")
    assert answer[0] == 404
    assert sentence(answer) == "GET /develop: Not Found"


def test_a_method_that_is_not_taken(shared):
    answer = shared.ask("DELETE", "/programmes")
    assert answer[0] == 405
    assert sentence(answer) == "DELETE /programmes: Method Not Allowed"


@pytest.mark.parametrize(
    "body",
    [
        b"{",
        b"\xff\xfe",
        b"[1]",
        b'"tap"',
        b"null",
        b"[" * 100_000,
        b'{"press": "\xff"}',
        b"{'a':1}",
    ],
)
def test_a_request_that_is_no_json_object(shared, body):
    answer = shared.ask("POST", "/pedal", body)
    assert answer[0] == 400
    assert sentence(answer)


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        ("/pedal", {}, 400),
        ("/pedal", {"press": 1}, 400),
        ("/pedal", {"press": "stamp"}, 400),
        ("/arm", {}, 400),
        ("/arm", {"name": None}, 400),
        ("/arm", {"name": "x", "version": "1"}, 400),
        ("/arm", {"name": "x", "version": 10**30}, 404),
        ("/arm", {"name": "\ud800"}, 400),
        ("/arm", {"programme": "treadle = "}, 400),
        ("/arm", {"programme": ["x"]}, 400),
        ("/programmes", {"programme": "x" * 100_000}, 400),
        ("/programmes", {"programme": "", "source": 3}, 400),
        ("/programmes/show", {"name": "Nothing"}, 404),
        ("/programmes/rename", {"name": "Nothing"}, 400),
        ("/programmes/restore", {"name": "Nothing"}, 404),
    ],
)
def test_a_request_that_lacks_something(shared, path, body, status):
    answer = shared.ask("POST", path, json.dumps(body).encode())
    assert answer[0] == status
    assert sentence(answer)


@pytest.mark.parametrize(
    "query", ["limit=0", "limit=-1", "limit=x", "limit=1001", "limit=", "limit=1" + "0" * 5000]
)
def test_a_list_of_no_sensible_length(shared, query):
    answer = shared.ask("GET", f"/record?{query}")
    assert answer[0] == 400
    assert sentence(answer) == "limit: give a whole number from 1 to 1000"


@pytest.mark.parametrize("number", ["0", "7", "9" * 18, "9" * 19, "x", "%00", "..%2f"])
def test_a_sheet_that_is_not_there(shared, number):
    answer = shared.ask("GET", f"/record/{number}")
    assert answer[0] == 404
    assert sentence(answer)


def test_a_body_that_is_too_large(shared):
    answer = shared.ask("POST", "/programmes", b" " * ((2 << 20) + 1))
    assert answer[0] == 413
    assert sentence(answer)
    assert shared.ask("GET", "/health")[1]["well"]


def test_the_socket_is_for_its_owner_and_group_only(shared, wait_until):
    path = shared.folder / "treadle.sock"
    wait_until(lambda: path.stat().st_mode & 0o777 == 0o660, "the socket has its rights")


def expose(darkroom, seconds=0.3):
    """Make a print of one pass over the socket, and return the pass from the record."""
    text = f'treadle = 1\nname = "Boat shed"\n[print]\nbase_s = {seconds}\n'
    status, told = darkroom.ask("POST", "/arm", json.dumps({"programme": text}).encode())
    assert status == 200, told
    until_state(darkroom, "waiting")
    darkroom.ask("POST", "/pedal", b'{"press": "tap"}')
    sheet = until_state(darkroom, "done")["sheet"]
    darkroom.ask("POST", "/paper/away")
    return darkroom.ask("GET", f"/record/{sheet}")[1]["passes"][0]


def until_state(darkroom, state):
    while (status := darkroom.ask("GET", "/status")[1])["state"] != state:
        assert status["state"] != "fault"
    return status


def test_a_listener_that_never_reads_does_not_hold_up_an_exposure(shared):
    with closing(socket.socket(socket.AF_UNIX)) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        listener.connect(shared.socket)
        listener.sendall(UPGRADE)
        assert listener.recv(12) == b"HTTP/1.1 101"
        # More than the socket, the server's buffer and the listener's queue hold together.
        for _ in range(1500):
            shared.ask("POST", "/paper/out")
        one = expose(shared)
        assert one["intended_ns"] <= one["received_ns"] < one["intended_ns"] + LATE_NS


async def _heard(events):
    """The cues that a listener hears until the sheet is done, and the first thing it was told."""
    first = None
    cues = []
    async for message in events:
        assert message.type is WSMsgType.TEXT
        event = message.json()
        first = first or event
        if event["event"] == "cue":
            cues.append(event["cue"])
        if "done" in cues:
            return first, cues
    raise AssertionError(f"the daemon stopped telling after {cues}")


async def _listen(path, count, work):
    async with AsyncExitStack() as stack:
        session = await stack.enter_async_context(
            ClientSession(connector=UnixConnector(path, limit=0))
        )
        listeners = [
            await stack.enter_async_context(session.ws_connect("http://localhost/events"))
            for _ in range(count)
        ]
        hearing = [asyncio.create_task(_heard(one)) for one in listeners]
        one = await asyncio.to_thread(work)
        return one, await asyncio.gather(*hearing)


def test_fifty_listeners_hear_every_cue_of_an_exposure(shared):
    one, heard = asyncio.run(_listen(shared.socket, 50, lambda: expose(shared)))
    assert one["intended_ns"] <= one["received_ns"] < one["intended_ns"] + LATE_NS
    assert len(heard) == 50
    for first, cues in heard:
        assert first["event"] == "status"
        assert first["state"] in ("dark", "paper out")
        assert [cue for cue in cues if cue in ("start", "end", "done")] == ["start", "end", "done"]


def test_a_listener_that_leaves_is_forgotten(shared):
    for _ in range(20):
        with closing(socket.socket(socket.AF_UNIX)) as listener:
            listener.connect(shared.socket)
            listener.sendall(UPGRADE)
            assert listener.recv(12) == b"HTTP/1.1 101"
    one = expose(shared)
    assert one["state"] == "complete"
    assert shared.ask("GET", "/health")[1]["well"]
