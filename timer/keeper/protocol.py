"""What daemon and keeper say to each other: fixed records over a socket pair, checksummed.

One record is one packet of a SOCK_SEQPACKET socket. A record that is cut
short, damaged, of another version or of an unknown kind raises
:class:`Damaged`, and is never acted on.
"""

import struct
from binascii import crc32
from enum import IntEnum
from typing import NamedTuple

VERSION = 2
_MAGIC = b"TK"
_BODY = struct.Struct("<2sBBBQqq")
_CHECK = struct.Struct("<I")
PACKET_BYTES = _BODY.size + _CHECK.size


class Damaged(Exception):  # noqa: N818 -- it names a state of a record, for one place that catches it
    """Raised when a record can't be trusted."""


class Kind(IntEnum):
    """The kinds of a record: orders to the keeper below 100, its reports from 100 on."""

    EXPOSE = 1
    VIEW = 2
    OFF = 3
    BEAT = 4
    LATCH = 5
    DISMISS = 6
    ASK = 7
    READY = 100
    ON = 101
    WENT_OFF = 102
    REFUSED = 103
    ALIVE = 104
    ALARM = 105
    EDGE = 106
    DISMISSED = 107


class Reason(IntEnum):
    """Why the lamp went off, an order was refused, or an alarm was raised."""

    NONE = 0
    COMPLETE = 1
    ORDERED = 2
    LIMIT = 3
    DAEMON_GONE = 4
    BEATS_STOPPED = 5
    SIGNAL = 6
    LAMP_WRITE_FAILED = 7
    LAMP_STAYS_ON = 8
    LAMP_STAYS_OFF = 9
    BUSY = 10
    TOO_LONG = 11
    BAD_ORDER = 12
    FOOT = 13
    SENSE_FAILED = 14
    MUST_COOL = 15
    PEDAL_FAILED = 16
    SILENT = 17


class Record(NamedTuple):
    """One order or report.

    ``order`` numbers the order that it is or answers. EXPOSE and VIEW: ``a_ns``
    is how long. LATCH: an EXPOSE that waits for a tap, of a foot that came down
    at ``b_ns`` or later; DISMISS calls it off. BEAT and ASK are answered by
    ALIVE, and only BEAT says that the daemon is well. ALIVE: ``a_ns`` is how
    long the lamp may still be on before it must cool, -1 without such a limit;
    ``reason`` what is wrong with the lamp, as long as it is.

    ON: ``a_ns`` is the on stamp, ``b_ns`` when it is to end. WENT_OFF: ``a_ns``
    the on stamp, ``b_ns`` the off stamp. READY: ``a_ns`` is 1 where real-time
    scheduling was granted, ``b_ns`` 1 where memory is locked, ``order`` 1 where
    the foot was down. EDGE: ``a_ns`` is the pedal's own stamp, ``b_ns`` 1 where it
    went down. DISMISSED: ``a_ns`` is the order that a foot began last, so that
    one which was quicker shows.
    """

    kind: Kind
    reason: Reason = Reason.NONE
    order: int = 0
    a_ns: int = 0
    b_ns: int = 0


def pack(record: Record) -> bytes:
    """Return the packet for ``record``."""
    body = _BODY.pack(
        _MAGIC, VERSION, record.kind, record.reason, record.order, record.a_ns, record.b_ns
    )
    return body + _CHECK.pack(crc32(body))


def unpack(packet: bytes) -> Record:
    """Return the record in ``packet``; raises Damaged where it can't be trusted."""
    if len(packet) != PACKET_BYTES:
        raise Damaged(f"{len(packet)} bytes instead of {PACKET_BYTES}")
    body, (check,) = packet[: _BODY.size], _CHECK.unpack(packet[_BODY.size :])
    if crc32(body) != check:
        raise Damaged("its checksum does not match")
    magic, version, kind, reason, order, a_ns, b_ns = _BODY.unpack(body)
    if magic != _MAGIC or version != VERSION:
        raise Damaged(f"it is of version {version}, not {VERSION}")
    try:
        return Record(Kind(kind), Reason(reason), order, a_ns, b_ns)
    except ValueError as error:
        raise Damaged(str(error)) from None
