"""What works for the tests inside the virtual machine: standard library only, started by systemd.

It takes one JSON object a line from the serial port, and answers each with one. Requests
run side by side, for a command may wait while the foot presses.
"""

import contextlib
import http.client
import json
import os
import re
import socket
import subprocess
import threading
import time
from pathlib import Path

PORT_NAME = "rig"
TRACE = Path("/sys/kernel/tracing/instances/rig")
SOCKET = "/run/treadle/treadle.sock"
POLL_SECONDS = 0.002
FAMILY = socket.AF_UNIX

_EVENT = re.compile(
    r"^\s*(?P<who>.+)-(?P<pid>\d+)\s+\[\d+\]\s+\S+\s+(?P<s>\d+)\.(?P<us>\d{6}): "
    r"(?P<event>gpio_value|gpio_direction): \d+\s+(?P<what>\w+) \(?(?P<value>-?\d+)\)?",
    re.M,
)


def line(pin, name):
    """The file ``name`` of a line of the simulated chip; see the kernel's gpio-sim.rst."""
    return next(Path("/sys/devices/platform").glob(f"gpio-sim.0/gpiochip*/sim_gpio{pin}/{name}"))


def run(argv, stdin, seconds):
    """Run a command to its end."""
    done = subprocess.run(
        argv, input=stdin, capture_output=True, text=True, timeout=seconds, check=False
    )
    return {"code": done.returncode, "out": done.stdout, "err": done.stderr}


def pull(steps):
    """Pull lines, one step after another: [pin, level, seconds to wait before], with stamps."""
    stamps = []
    for pin, level, seconds in steps:
        time.sleep(seconds)
        before = time.monotonic_ns()
        line(pin, "pull").write_text("pull-up" if level else "pull-down")
        stamps.append([before, time.monotonic_ns()])
    return stamps


def level(pin):
    """The level of a line as the chip has it."""
    return int(line(pin, "value").read_text())


def until_level(pin, wanted, seconds):
    """Wait until a line has a level, and return when it was seen; None if it never was."""
    gives_up_at = time.monotonic() + seconds
    value = line(pin, "value")
    while int(value.read_text()) != wanted:
        if time.monotonic() > gives_up_at:
            return None
        time.sleep(POLL_SECONDS)
    return time.monotonic_ns()


def trace():
    """Every write to the lamp's line since the machine started, as the kernel saw it."""
    text = (TRACE / "trace").read_text()
    written = re.search(r"entries-in-buffer/entries-written: (\d+)/(\d+)", text)
    events = [
        {
            "at_ns": int(one["s"]) * 10**9 + int(one["us"]) * 1000,
            "who": one["who"].strip(),
            "pid": int(one["pid"]),
            "event": one["event"].removeprefix("gpio_"),
            "what": one["what"],
            "value": int(one["value"]),
        }
        for one in _EVENT.finditer(text)
    ]
    return {"events": events, "kept": int(written[1]), "written": int(written[2])}


class Connection(http.client.HTTPConnection):
    """HTTP over the daemon's socket."""

    def connect(self):
        self.sock = socket.socket(FAMILY)
        self.sock.settimeout(30)
        self.sock.connect(SOCKET)


def ask(method, path):
    """Ask the daemon; None where nobody listens."""
    connection = Connection("localhost")
    try:
        connection.request(method, path)
        return json.loads(connection.getresponse().read())
    except OSError:
        return None
    finally:
        connection.close()


def until_state(states, seconds):
    """Wait until the daemon says one of ``states`` with no order under way; its latest status."""
    gives_up_at = time.monotonic() + seconds
    while True:
        status = ask("GET", "/status")
        if status is not None:
            is_on = status["on_since_ns"] is not None
            if status["state"] in states and is_on == (status["state"] in ("exposing", "viewing")):
                return {"reached": True, "status": status}
        if time.monotonic() > gives_up_at:
            return {"reached": False, "status": status}
        time.sleep(0.05)


def now():
    """This machine's monotonic clock."""
    return time.monotonic_ns()


DOES = {one.__name__: one for one in (run, pull, level, until_level, trace, ask, until_state, now)}


def answer(write, request):
    """Do what is asked, and answer under the number of the request."""
    try:
        told = {"answer": DOES[request["do"]](*request["with"])}
    except Exception as error:  # the host raises it
        told = {"error": f"{type(error).__name__}: {error}"}
    write(json.dumps({"number": request["number"], **told}).encode() + b"\n")


def find_port():
    """The serial port that bears our name, once it is there."""
    while True:
        for one in Path("/sys/class/virtio-ports").glob("*/name"):
            if one.read_text().strip() == PORT_NAME:
                return f"/dev/{one.parent.name}"
        time.sleep(0.05)


def main():
    """Serve until the machine ends."""
    port = os.open(find_port(), os.O_RDWR)
    lock = threading.Lock()

    def write(text):
        with lock:
            while text:
                text = text[os.write(port, text) :]

    write(b'{"number": 0, "answer": "here"}\n')
    waiting = b""
    while True:
        more = os.read(port, 65536)
        if not more:
            # Nobody is at the other end yet.
            time.sleep(0.05)
            continue
        waiting += more
        *requests, waiting = waiting.split(b"\n")
        for one in requests:
            with contextlib.suppress(ValueError):
                threading.Thread(target=answer, args=(write, json.loads(one)), daemon=True).start()


if __name__ == "__main__":
    main()
