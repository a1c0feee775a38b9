"""Serial numbers out of collided answers, each protected by a CRC.

Of two answers that overlap, often one is whole and of the other only the last bytes stick out: its
CRC. Read one register at a time, an answer is ``address 03 02 high low crc crc``: all but two bytes
are known, and the CRC determines the two uniquely (it is a bijection on the last 16 bits). So the
hidden device's serial number is solved register by register, and what sticks out of its answers to
the request for the *whole* serial number proves the result.

A receiver that was following the other device picks up the tail in the middle of a character: what
it delivers is often shifted (`tails`). So every value that characters of a serial number allow is
asked whether it can have given *all* the tails heard.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import product

from busprobe.diagnosis.duplicate.observe import CRC_BYTES, HEAD_BYTES, Observation
from busprobe.diagnosis.duplicate.questions import SERIAL_REGISTERS
from busprobe.diagnosis.duplicate.tails import can_be_tail, chance_of_tail
from busprobe.model.device_text import device_text
from busprobe.model.line import Parity
from busprobe.wire.crc import crc16, is_intact, with_crc

# A tail must hold its CRC and something that differs; shorter ones fit by chance.
_SHORTEST_TAIL = 6
_MOST_FRAGMENTS = 24
# Chance that a wrong one is among those that were tried.
_MOST_BY_CHANCE = 1e-3

_SERIAL_BYTES = 2 * SERIAL_REGISTERS
# Exchanges spent on pieces, and on one register.
MOST_PIECES = 32
_MOST_PER_REGISTER = 4
# Give up when so many brought nothing of a second device, or no whole answer to all registers.
_FRUITLESS = 10
_HOPELESS = 18
# The request for the whole serial number, among those for its registers.
WHOLE = -1
# Combinations that are tried, and the chance that a wrong one passes.
_MOST_COMBINATIONS = 1 << 11
_MOST_CHANCE = 3e-4
_MOST_VALUES = 64

_DIGITS = b"0123456789"
_CAPITALS = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_SMALL = b"abcdefghijklmnopqrstuvwxyz"
# Behind the last character.
_PADDING = b"\x00 "

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
    proved: Iterable[bytes] = (),
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
        proved: Register data that were put together before. What ends as they do is theirs: another
            head may fit its check, because digits can differ by the polynomial of the CRC itself
            (x^16 + x^15 + x^2 + 1: "9.3" and "5.6" do, whatever the digit between).

    Returns:
        Register data of further answers, without the known ones, in the order found.
    """
    head = bytes((address, function, size))
    whole = list(dict.fromkeys(known))
    length = HEAD_BYTES + size + CRC_BYTES
    found: dict[bytes, set[bytes]] = {}
    tried: set[bytes] = set()
    kept = [f for f in dict.fromkeys(fragments) if len(f) >= _SHORTEST_TAIL][:_MOST_FRAGMENTS]
    starts = [head + data for data in whole]
    starts += [f[f.index(head) :] for f in kept if head in f]
    ends = {frame_of(address, function, d)[-_SHORTEST_TAIL:] for d in (*whole, *proved)}
    for tail in (fragment for fragment in kept if fragment[-_SHORTEST_TAIL:] not in ends):
        for count in range(min(len(tail), length - HEAD_BYTES), _SHORTEST_TAIL - 1, -1):
            end = tail[-count:]
            missing = length - count
            for start in starts:
                if len(start) < missing:
                    continue
                candidate = start[:missing] + end
                data = candidate[HEAD_BYTES:-CRC_BYTES]
                tried.add(candidate)
                if is_intact(candidate) and data not in whole and _is_text(data):
                    found.setdefault(data, set()).add(tail)
    # A check of 16 bits fits by chance too: of many that were tried, one fragment is no proof.
    by_chance = len(tried) / (1 << 16) > _MOST_BY_CHANCE
    return tuple(data for data, tails in found.items() if len(tails) > 1 or not by_chance)


def _is_text(data: bytes) -> bool:
    """Whether it reads as a serial number does: characters, and padding behind them."""
    text = data.rstrip(_PADDING)
    return bool(text) and all(0x20 <= character < 0x7F for character in text)


def serial_text(data: bytes) -> str:
    """A serial number as text, safe to show."""
    return device_text(data)


class SerialPieces:
    """Puts serial numbers together.

    Args:
        address: Address asked.
        function: Function code asked.
        parity: Of the line.
    """

    def __init__(self, address: int, function: int, parity: Parity = Parity.NONE) -> None:
        self._address = address
        self._function = function
        self._parity = parity
        self._whole: Counter[bytes] = Counter()
        self._beside: Counter[bytes] = Counter()
        self._first: list[Counter[bytes]] = [Counter() for _ in range(SERIAL_REGISTERS)]
        self._other: list[Counter[bytes]] = [Counter() for _ in range(SERIAL_REGISTERS)]
        self._tails: list[Counter[bytes]] = [Counter() for _ in range(SERIAL_REGISTERS)]
        self._asked = [0] * SERIAL_REGISTERS
        self._wholes_asked = 0
        self._found: dict[bytes, None] = {}

    # Taking ----------------------------------------------------------------------------------

    def take_whole(self, seen: Observation) -> None:
        """Take an answer to the request for the whole serial number."""
        self._wholes_asked += 1
        for content in seen.contents:
            if len(content) == _SERIAL_BYTES + 1 and content[0] == _SERIAL_BYTES:
                self._whole[content[1:]] += 1
        for piece in (seen.tail, seen.head):
            if piece:
                self._beside[piece] += 1
        more = recover(
            self._address,
            self._function,
            _SERIAL_BYTES,
            self._whole,
            tuple(self._beside),
            self._found,
        )
        for data in (*self._whole, *more):
            self._found.setdefault(data, None)
        self._assemble()

    def take_register(self, register: int, seen: Observation) -> None:
        """Take an answer to the request for one register of it, counted from 0."""
        self._asked[register] += 1
        values = [c[1:] for c in seen.contents if len(c) == HEAD_BYTES and c[0] == CRC_BYTES]
        if values:
            self._first[register][values[0]] += 1
        if len(values) > 1:
            self._other[register][values[1]] += 1
        elif seen.contents and seen.tail:
            self._tails[register][seen.tail] += 1
        elif not seen.contents and len(seen.head) > CRC_BYTES:
            # Two answers of which none was whole: the end is that of the slower one.
            self._tails[register][seen.head[-CRC_BYTES:]] += 1
        self._assemble()

    @property
    def serials(self) -> tuple[bytes, ...]:
        """Register data of the serial numbers that a CRC proves."""
        return tuple(self._found)

    @property
    def fragment(self) -> bytes:
        """The longest piece of an answer to the whole serial number beside a valid one."""
        return max(self._beside, key=len, default=b"")

    @property
    def common(self) -> bytes:
        """Start of the serial number as far as all devices agree on it: no register collided.

        Only where the whole number was never heard.
        """
        agreed = b""
        for values, others, tails in zip(self._first, self._other, self._tails, strict=True):
            if len(values) != 1 or others or tails:
                break
            agreed += _common(values)
        return b"" if self._whole else agreed.rstrip(_PADDING)

    # Asking ----------------------------------------------------------------------------------

    def next_register(self) -> int | None:
        """The register to ask for next, or `WHOLE`; None when enough is known or all was tried."""
        spent = sum(self._asked)
        if len(self._found) > 1 or spent >= MOST_PIECES:
            return None
        interest = self._of_interest()
        told = sum(bool(self._other[i] or self._tails[i]) for i in interest)
        if spent >= _FRUITLESS and not told:
            return None
        if spent >= _HOPELESS and not self._whole and not all(self._first[i] for i in interest):
            return None
        # The check of the whole is as valuable as a register, and every tail of it tells more.
        if spent >= (self._wholes_asked - 2) * len(interest) and spent:
            return WHOLE
        open_ones = [i for i in interest if self._asked[i] < _MOST_PER_REGISTER]
        return min(open_ones, key=lambda i: (self._asked[i], i), default=None)

    def _reference(self) -> bytes | None:
        """The serial number of the device that is heard."""
        return self._whole.most_common(1)[0][0] if self._whole else None

    def _of_interest(self) -> range:
        """Registers with text, and the one behind them."""
        known = self._reference()
        if known is not None:
            used = len(known.rstrip(_PADDING))
            return range(min(SERIAL_REGISTERS, used // 2 + 1))
        for register in range(SERIAL_REGISTERS):
            if self._first[register] and not _common(self._first[register]).strip(_PADDING):
                return range(register + 1)
        return range(SERIAL_REGISTERS)

    # Putting together ------------------------------------------------------------------------

    def _assemble(self) -> None:
        interest = self._of_interest()
        known = self._reference()
        rest = b"" if known is None else known[2 * len(interest) :]
        rest = rest.ljust(_SERIAL_BYTES - 2 * len(interest), b"\x00")
        if known is None:
            if not all(self._first[i] for i in interest):
                return
            firsts = [_common(self._first[i]) for i in interest]
            self._prove([(value,) for value in firsts], rest)
            known = b"".join(firsts) + rest
        others = []
        for i in interest:
            values = self._values(i, known[2 * i : 2 * i + 2])
            if not values:
                return
            others.append(values)
        self._prove(others, rest, known)

    def _values(self, register: int, mine: bytes) -> tuple[bytes, ...]:
        """What the register of the other device can hold; none where nothing was heard of it."""
        heard = [v for v in (*self._other[register], *self._first[register]) if v != mine]
        if heard:
            return tuple(dict.fromkeys(heard))
        if self._other[register]:
            # Two answers, and both alike.
            return (mine,)
        tails = self._tails[register]
        if not tails:
            return ()
        fits = {
            value: sum(
                number
                for tail, number in tails.items()
                if can_be_tail(tail, frame_of(self._address, self._function, value), self._parity)
            )
            for value in (*_alike(mine), *self._solved(tails))
        }
        most = max(fits.values())
        best = [value for value, number in fits.items() if number == most]
        return tuple(best) if most and len(best) <= _MOST_VALUES else ()

    def _solved(self, tails: Iterable[bytes]) -> list[bytes]:
        """Values of any printable characters that tails give when they are not shifted."""
        before = bytes((self._address, self._function, CRC_BYTES))
        values = (last_two(before, t[-CRC_BYTES:]) for t in tails if len(t) >= CRC_BYTES)
        return [v for v in values if all(c in _PADDING or 0x20 < c < 0x7F for c in v)]

    def _prove(
        self, values: Sequence[Sequence[bytes]], rest: bytes, without: bytes | None = None
    ) -> None:
        """Accept the one combination that can have given what stuck out of whole answers."""
        number = math.prod(len(its) for its in values)
        checks = [piece for piece in self._beside if len(piece) < _SERIAL_BYTES]
        chance = {piece: chance_of_tail(piece, self._parity) for piece in checks}
        if not checks or number > _MOST_COMBINATIONS:
            return
        passed = []
        for parts in product(*values):
            data = b"".join(parts) + rest
            if data == without:
                continue
            frame = frame_of(self._address, self._function, data)
            fits = [piece for piece in checks if can_be_tail(piece, frame, self._parity)]
            # Damage may have made some pieces; it must not have made most.
            if 2 * len(fits) > len(checks):
                choices = number * math.comb(len(checks), len(fits))
                passed.append((choices * math.prod(chance[piece] for piece in fits), data))
        passed.sort()
        if not passed or passed[0][0] > _MOST_CHANCE:
            return
        if len(passed) == 1 or passed[0][0] < _MOST_CHANCE * passed[1][0]:
            self._found.setdefault(passed[0][1], None)


def _common(counted: Counter[bytes]) -> bytes:
    return counted.most_common(1)[0][0]


def _alike(mine: bytes) -> list[bytes]:
    """Values with characters as serial numbers of the same maker have at the same place."""
    return [bytes(pair) for pair in product(*(_alike_character(c) for c in mine))]


def _alike_character(mine: int) -> bytes:
    if mine in _DIGITS:
        return _DIGITS + _CAPITALS[:6] + b"\x00"
    if mine in _CAPITALS:
        return _CAPITALS + _DIGITS
    if mine in _SMALL:
        return _SMALL + _DIGITS
    if mine in _PADDING:
        return bytes((mine,)) + _DIGITS
    return bytes((mine,))
