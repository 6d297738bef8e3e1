"""Records over the channel: whole and undamaged, or not acted on at all."""

import struct
from binascii import crc32

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from timer.keeper.protocol import PACKET_BYTES, VERSION, Damaged, Kind, Reason, Record, pack, unpack

NS = st.integers(-(2**63), 2**63 - 1)
RECORDS = st.builds(
    Record, st.sampled_from(Kind), st.sampled_from(Reason), st.integers(0, 2**64 - 1), NS, NS
)
ORDER = Record(Kind.EXPOSE, Reason.NONE, 7, 12_600_000_000)


def packet_of(magic=b"TK", version=VERSION, kind=1, reason=0):
    """Lay out a packet once more, by hand."""
    body = struct.pack("<2sBBBQqq", magic, version, kind, reason, 7, 12_600_000_000, 0)
    return body + struct.pack("<I", crc32(body))


@settings(derandomize=True, deadline=None)
@given(RECORDS)
def test_what_was_packed_is_unpacked(record):
    packet = pack(record)
    assert len(packet) == PACKET_BYTES
    assert unpack(packet) == record


def test_the_packet_is_laid_out_as_written_down():
    assert packet_of() == pack(ORDER)


@settings(derandomize=True, deadline=None, max_examples=20)
@given(RECORDS)
def test_no_single_flipped_bit_gives_another_order(record):
    packet = pack(record)
    for bit in range(8 * PACKET_BYTES):
        damaged = bytearray(packet)
        damaged[bit // 8] ^= 1 << bit % 8
        with pytest.raises(Damaged):
            unpack(bytes(damaged))


@settings(derandomize=True, deadline=None)
@given(record=RECORDS, first=st.integers(0, 8 * PACKET_BYTES - 1), burst=st.integers(1, 2**32 - 1))
def test_no_burst_of_up_to_32_bits_gives_another_order(record, first, burst):
    """A CRC of 32 bits finds every burst that is not longer than itself (common knowledge)."""
    whole = int.from_bytes(pack(record), "little")
    damaged = (whole ^ (burst << first)) & ((1 << 8 * PACKET_BYTES) - 1)
    if damaged != whole:
        with pytest.raises(Damaged):
            unpack(damaged.to_bytes(PACKET_BYTES, "little"))


@pytest.mark.parametrize("length", [0, 1, PACKET_BYTES - 1, PACKET_BYTES + 1])
def test_a_packet_of_another_length_is_damaged(length):
    with pytest.raises(Damaged, match=f"^{length} bytes instead of {PACKET_BYTES}$"):
        unpack((pack(ORDER) + b"\0")[:length])


@pytest.mark.parametrize(
    "packet",
    [
        packet_of(version=VERSION + 1), packet_of(version=0), packet_of(magic=b"KT"),
        packet_of(kind=0), packet_of(kind=8), packet_of(kind=255), packet_of(reason=18),
    ],
    ids=["newer", "older", "magic", "kind 0", "kind 8", "kind 255", "reason 18"],
)  # fmt: skip
def test_another_version_or_an_unknown_word_is_damaged_though_its_checksum_is_right(packet):
    with pytest.raises(Damaged):
        unpack(packet)
