"""A keeper with a bad wire to its daemon, or from another version: ``wires.py FAULT FILE ...``.

FAULT is "version" (keeper and daemon are not of one version), "flip:KIND:BIT" (in every report of
that kind one bit is flipped on its way), "twice:KIND" (every such report comes twice) or
"lost:KIND" (none comes). It is there where FILE was there when the keeper started.
"""

import socket
import sys
from pathlib import Path
from types import SimpleNamespace

import timer.keeper.__main__ as start
from timer.keeper import protocol


class BadWire(socket.socket):
    """The keeper's end of the channel, which does not let everything through as it was."""

    fault, kind, bit = "", "", 0

    def send(self, data: bytes, flags: int = 0) -> int:  # type: ignore[override]
        if protocol.unpack(data).kind.name != self.kind:
            return super().send(data, flags)
        if self.fault == "lost":
            return len(data)
        if self.fault == "flip":
            damaged = bytearray(data)
            damaged[self.bit // 8] ^= 1 << self.bit % 8
            return super().send(bytes(damaged), flags)
        super().send(data, flags)
        return super().send(data, flags)


def main() -> int:
    """Be a keeper with the fault, on the arguments that a keeper gets."""
    told, file, *arguments = sys.argv[1:]
    if Path(file).exists():
        if told == "version":
            protocol.VERSION += 1
        else:
            BadWire.fault, BadWire.kind, *bit = told.split(":")
            BadWire.bit = int(*bit)
            start.socket = SimpleNamespace(socket=BadWire)  # type: ignore[assignment]
    return start.main(arguments)


if __name__ == "__main__":
    sys.exit(main())
