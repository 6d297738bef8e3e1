"""SQLite's write-ahead log after a crash: whether all that it acknowledged can still be read.

SQLite reads the log up to the first frame that is damaged and takes that for
its end, as it must for a transaction that a power cut tore. What was written
and acknowledged behind a damaged frame would be dropped without a word.

The layout is SQLite's own: https://www.sqlite.org/fileformat2.html#walformat
"""

import struct
from collections.abc import Iterator, Sequence
from typing import NamedTuple

_HEADER = struct.Struct(">8I")  # magic, version, page size, sequence, two salts, two sums
_FRAME = struct.Struct(">6I")  # page number, pages after a commit or 0, two salts, two sums
_SUMMED_OF_HEADER, _SUMMED_OF_FRAME = 24, 8
_LITTLE, _BIG = 0x377F0682, 0x377F0683
_MASK = 0xFFFFFFFF
_Sum = tuple[int, int]


class _Frame(NamedTuple):
    salts: tuple[int, int]
    is_commit: bool
    told: _Sum  # its sum as it stands in the log
    summed: tuple[bytes, bytes]  # what the sum is of


def loses_what_was_acknowledged(log: bytes, page_bytes: int) -> bool:
    """Whether whole transactions lie behind a damage in ``log``, the log of a closed database.

    One may lie there and mean nothing: it was never acknowledged if the power
    failed, or the disk, while it was written. The second was begun after the
    first had been acknowledged.
    """
    if len(log) < _HEADER.size:
        return False
    magic, _, _, _, salt_1, salt_2, *told = _HEADER.unpack_from(log)
    words = ">" if magic == _BIG else "<"
    frames = list(_frames(log, page_bytes))
    last: _Sum = _sum((log[:_SUMMED_OF_HEADER],), (0, 0), words)
    salts = (salt_1, salt_2)
    first_damaged = 0
    if magic in (_LITTLE, _BIG) and last == tuple(told):
        for frame in frames:
            if frame.salts != salts or _sum(frame.summed, last, words) != frame.told:
                break
            last = frame.told
            first_damaged += 1
    elif frames:
        salts = frames[0].salts
    return _has_two_commits(frames[first_damaged:], salts, words)


def _frames(log: bytes, page_bytes: int) -> Iterator[_Frame]:
    step = _FRAME.size + page_bytes
    for at in range(_HEADER.size, len(log) - step + 1, step):
        _, pages, salt_1, salt_2, sum_1, sum_2 = _FRAME.unpack_from(log, at)
        page = log[at + _FRAME.size : at + step]
        summed = (log[at : at + _SUMMED_OF_FRAME], page)
        yield _Frame((salt_1, salt_2), pages != 0, (sum_1, sum_2), summed)


def _has_two_commits(frames: Sequence[_Frame], salts: tuple[int, int], words: str) -> bool:
    """Whether two transactions follow each other in ``frames``, each frame bound to the last."""
    commits, before = 0, None
    for frame in frames:
        if frame.salts != salts:
            before = None  # what is left of an older log, or damaged
            continue
        if before is None or _sum(frame.summed, before.told, words) != frame.told:
            commits = 0
        commits += frame.is_commit
        if commits > 1:
            return True
        before = frame
    return False


def _sum(parts: Sequence[bytes], seed: _Sum, words: str) -> _Sum:
    one, two = seed
    for part in parts:
        numbers = iter(struct.unpack(f"{words}{len(part) // 4}I", part))
        for first, second in zip(numbers, numbers, strict=True):
            one = (one + first + two) & _MASK
            two = (two + second + one) & _MASK
    return one, two
