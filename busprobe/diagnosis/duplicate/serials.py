"""Serial numbers out of collided answers, each protected by a CRC.

Of two answers that overlap, often one is whole and of the other only the last bytes stick out: its
CRC. Read one register at a time, an answer is ``address 03 02 high low crc crc``: all but two bytes
are known, and the CRC determines the two uniquely (it is a bijection on the last 16 bits). So the
hidden device's serial number is solved register by register, and the last bytes of its answer to
the whole serial number prove the result.

The first byte that sticks out may be half drowned: tails whose third last byte fits are believed
more than those of two bytes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import product

from busprobe.diagnosis.duplicate.observe import (
    CRC_BYTES,
    HEAD_BYTES,
    Kind,
    Observation,
    common_end,
)
from busprobe.diagnosis.duplicate.questions import SERIAL_REGISTERS
from busprobe.model.device_text import device_text
from busprobe.wire.crc import crc16, is_intact, with_crc

# A tail must hold its CRC and something that differs; shorter ones fit by chance.
_SHORTEST_TAIL = 6
_MOST_FRAGMENTS = 24

_SERIAL_BYTES = 2 * SERIAL_REGISTERS
# Exchanges spent on single registers, and on one of them.
MOST_PIECES = 36
_MOST_PER_REGISTER = 5
# Votes for a value: heard whole, with its byte before the CRC, or by the CRC alone.
_WHOLE, _FITTING, _BARE = 6, 3, 1
_ENOUGH_VOTES = 2
# Combinations tried against a check of 16 bits.
_MOST_COMBINATIONS = 32

_STEP = tuple(crc16(bytes((byte,)), 0) for byte in range(256))
_STEP_OF_HIGH = {step >> 8: byte for byte, step in enumerate(_STEP)}


def last_two(before: bytes, crc: bytes) -> bytes:
    """The two bytes behind `before` for which the CRC of all comes out as told.

    Args:
        before: What precedes them, address first.
        crc: The CRC as sent, low byte first.
    """
    start = crc16(before)
    end = int.from_bytes(crc, "little")
    second = _STEP_OF_HIGH[end >> 8]
    first = _STEP_OF_HIGH[(end ^ _STEP[second]) & 0xFF]
    middle = (start >> 8) ^ _STEP[first]
    return bytes((first ^ (start & 0xFF), second ^ (middle & 0xFF)))


def frame_of(address: int, function: int, data: bytes) -> bytes:
    """The answer that carries these register data."""
    return with_crc(bytes((address, function, len(data))) + data)


def recover(
    address: int,
    function: int,
    size: int,
    known: Iterable[bytes],
    fragments: Sequence[bytes],
) -> tuple[bytes, ...]:
    """Whole answers that fragments of one length of answer prove.

    Head and tail of the *same* answer, from different collisions, make a whole frame whose CRC
    proves it. Devices of one maker share the start of their serial numbers, so that a known answer
    can stand in for a missing head: the CRC says whether it fits.

    Args:
        address: Address asked.
        function: Function code asked.
        size: Bytes of register data in an answer.
        known: Register data of whole answers (without the byte count).
        fragments: Bytes heard beside or instead of a whole answer, each as it was heard.

    Returns:
        Register data of further answers, without the known ones, in the order found.
    """
    head = bytes((address, function, size))
    whole = list(dict.fromkeys(known))
    length = HEAD_BYTES + size + CRC_BYTES
    found: dict[bytes, None] = {}
    kept = [f for f in dict.fromkeys(fragments) if len(f) >= _SHORTEST_TAIL][:_MOST_FRAGMENTS]
    starts = [head + data for data in whole]
    starts += [f[f.index(head) :] for f in kept if head in f]
    for tail in kept:
        for count in range(min(len(tail), length - HEAD_BYTES), _SHORTEST_TAIL - 1, -1):
            end = tail[-count:]
            missing = length - count
            for start in starts:
                if len(start) < missing:
                    continue
                candidate = start[:missing] + end
                data = candidate[HEAD_BYTES:-CRC_BYTES]
                if is_intact(candidate) and data not in whole:
                    found.setdefault(data, None)
    return tuple(found)


def serial_text(data: bytes) -> str:
    """A serial number as text, safe to show."""
    return device_text(data)


class SerialPieces:
    """Puts serial numbers together.

    Args:
        address: Address asked.
        function: Function code asked.
    """

    def __init__(self, address: int, function: int) -> None:
        self._address = address
        self._function = function
        self._whole: Counter[bytes] = Counter()
        self._beside: dict[bytes, None] = {}
        self._first: list[Counter[bytes]] = [Counter() for _ in range(SERIAL_REGISTERS)]
        self._other: list[Counter[bytes]] = [Counter() for _ in range(SERIAL_REGISTERS)]
        self._asked = [0] * SERIAL_REGISTERS
        self._found: dict[bytes, None] = {}

    def take_whole(self, seen: Observation) -> None:
        """Take an answer to the request for the whole serial number."""
        for content in seen.contents:
            if len(content) == _SERIAL_BYTES + 1 and content[0] == _SERIAL_BYTES:
                self._whole[content[1:]] += 1
        for piece in (seen.tail, seen.head):
            if len(piece) >= CRC_BYTES:
                self._beside.setdefault(piece, None)
        more = recover(
            self._address, self._function, _SERIAL_BYTES, self._whole, tuple(self._beside)
        )
        for data in (*self._whole, *more):
            self._found.setdefault(data, None)

    def take_register(self, register: int, seen: Observation) -> None:
        """Take an answer to the request for one register of it, counted from 0."""
        self._asked[register] += 1
        values = [c[1:] for c in seen.contents if len(c) == HEAD_BYTES and c[0] == CRC_BYTES]
        if values:
            self._first[register][values[0]] += 1
        if len(values) > 1:
            self._other[register][values[1]] += _WHOLE
        elif seen.kind in (Kind.TAIL, Kind.HEAD, Kind.GARBLED, Kind.LONG, Kind.BROKEN):
            self._vote_by_crc(register, seen.tail if values else seen.head)
        self._assemble()

    def _vote_by_crc(self, register: int, piece: bytes) -> None:
        if len(piece) < CRC_BYTES:
            return
        before = bytes((self._address, self._function, CRC_BYTES))
        value = last_two(before, piece[-CRC_BYTES:])
        fits = common_end(piece, frame_of(self._address, self._function, value))
        self._other[register][value] += _BARE if fits == CRC_BYTES else _FITTING

    @property
    def serials(self) -> tuple[bytes, ...]:
        """Register data of the serial numbers that a CRC proves."""
        return tuple(self._found)

    @property
    def fragment(self) -> bytes:
        """The longest piece of an answer to the whole serial number beside a valid one."""
        return max(self._beside, key=len, default=b"")

    def _reference(self) -> bytes | None:
        """The serial number of the device that is heard."""
        return self._whole.most_common(1)[0][0] if self._whole else None

    def _of_interest(self) -> range:
        """Registers with text, and the one behind them."""
        known = self._reference()
        if known is not None:
            used = len(known.rstrip(b"\x00 ")) + 1
            return range(min(SERIAL_REGISTERS, used // 2 + 1))
        for register in range(SERIAL_REGISTERS):
            if self._first[register] and not self._first[register].most_common(1)[0][0].strip(
                b"\x00 "
            ):
                return range(register + 1)
        return range(SERIAL_REGISTERS)

    def next_register(self) -> int | None:
        """The register to ask for next; None when enough is known, or no more can be."""
        if len(self._found) > 1 or sum(self._asked) >= MOST_PIECES:
            return None
        interest = self._of_interest()
        if sum(self._asked) >= 2 * len(interest) and not any(self._other[i] for i in interest):
            return None
        least = min(self._asked[i] for i in interest)
        open_ones = [
            i
            for i in interest
            if self._asked[i] < _MOST_PER_REGISTER and self._votes(i) < _ENOUGH_VOTES
        ]
        if not open_ones and least < _MOST_PER_REGISTER:
            # All have a value, but together they do not fit: ask again where least was heard.
            open_ones = sorted(interest, key=self._votes)[:1]
        return min(open_ones, key=lambda i: self._asked[i], default=None)

    def _votes(self, register: int) -> int:
        return max(self._candidates(register).values(), default=0)

    def _candidates(self, register: int) -> Counter[bytes]:
        """Values of the device that is *not* the reference."""
        votes = Counter(self._other[register])
        known = self._reference()
        if known is not None:
            mine = known[2 * register : 2 * register + 2]
            for value, number in self._first[register].items():
                if value != mine:
                    votes[value] += _WHOLE * number
            # Who came second in one exchange may have come first in another.
            if self._first[register].keys() - {mine} and votes[mine] >= _WHOLE:
                del votes[mine]
        return votes

    def _assemble(self) -> None:
        interest = self._of_interest()
        known = self._reference()
        rest = b"" if known is None else known[2 * len(interest) :]
        rest = rest.ljust(_SERIAL_BYTES - 2 * len(interest), b"\x00")
        if known is None:
            firsts = [[v for v, _ in self._first[i].most_common(1)] for i in interest]
            self._prove(firsts, rest, ())
        others = [[v for v, _ in self._candidates(i).most_common(2)] for i in interest]
        self._prove(others, rest, () if known is None else (known,))

    def _prove(
        self, values: Sequence[Sequence[bytes]], rest: bytes, without: Sequence[bytes]
    ) -> None:
        """Accept the combination that the end of a whole answer proves."""
        number = 1
        for its in values:
            number *= len(its)
        if not 1 <= number <= _MOST_COMBINATIONS:
            return
        for parts in product(*values):
            data = b"".join(parts) + rest
            if data in without or data in self._found:
                continue
            frame = frame_of(self._address, self._function, data)
            if any(common_end(piece, frame) >= CRC_BYTES for piece in self._beside):
                self._found.setdefault(data, None)
                return
