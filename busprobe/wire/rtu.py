"""RTU frames: building them, and finding them again in whatever a line delivers.

A receiver behind a USB adapter sees no gaps: request, response, echo and glitches arrive as one run
of bytes. Frames are therefore found by what they are, not by silence:

1. At each offset both roles are tried. The function code, byte counts and object lengths give the
   length a frame would have (`busprobe.wire.structure`); the CRC decides.
2. The longest frame that fits wins. A shorter one may end before a 00 that belongs to the longer:
   ``01 03 04 42 48 03 92 EF 00`` is a response of 9 bytes, and its first 8 bytes are an intact
   "request" because their CRC is right too. This holds for every response whose CRC ends in 00.
3. The converse exists as well: a request for a register at 04xx followed by a stray 00 has the form
   of a response with 4 bytes of data. There the request known to have been sent decides, or the
   frame before: a response follows its request, and a request follows a response.
4. Bytes of no frame are kept as pieces of their own. They are evidence. A 00 after a frame is such
   a byte, although a CRC over both is still right.
5. Only addresses 1 to 247 (Modbus over Serial Line V1.02, section 2.2), and 0 for the writes of a
   foreign master. So FF FF 00 00 or A8 EA in front of a frame, whose CRCs are right, are no frames.
6. Within `NEAR` bytes after a frame (or the start, or a silence) every public function is believed.
   Further out, in what looks like noise, only the forms that chance seldom makes
   (`busprobe.wire.likely`): else one byte in 350 000 of noise would begin a frame.

`Decoder` gives the same pieces as `split`, whatever the portions in which the bytes come: it
commits a decision only when no byte still to come could change it.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS
from busprobe.wire.crc import CRC_LENGTH, LONGEST_ADU, is_intact_at, with_crc
from busprobe.wire.functions import FunctionCode, Role
from busprobe.wire.likely import LIKELY, LIKELY_AS, LOOKAHEAD
from busprobe.wire.pdu import matches
from busprobe.wire.structure import (
    IMPOSSIBLE,
    LONGEST_PDU,
    MORE,
    REQUEST_RULES,
    RESPONSE_RULES,
    length_at,
)

BOTH_ROLES = frozenset(Role)

# Longer than any frame: whatever is lost, the next frame begins within this distance.
NEAR = LONGEST_ADU

_BROADCAST_WRITES = frozenset(
    (
        FunctionCode.WRITE_SINGLE_COIL,
        FunctionCode.WRITE_SINGLE_REGISTER,
        FunctionCode.WRITE_MULTIPLE_COILS,
        FunctionCode.WRITE_MULTIPLE_REGISTERS,
    )
)


@dataclass(frozen=True, slots=True)
class Piece:
    """A frame, or bytes that belong to no frame.

    Attributes:
        offset: Where it begins, counted from the first byte.
        data: The bytes; of a frame, address and CRC included.
        role: What the frame is, or None for bytes of no frame.
    """

    offset: int
    data: bytes
    role: Role | None

    @property
    def framed(self) -> bool:
        """Whether this is a frame."""
        return self.role is not None

    @property
    def address(self) -> int:
        """Address of the frame."""
        return self.data[0]

    @property
    def pdu(self) -> bytes:
        """Function code and data of the frame."""
        return self.data[1:-CRC_LENGTH]


def encode(address: int, pdu: bytes) -> bytes:
    """Wrap a PDU for one device.

    Args:
        address: 1 to 247; nothing is ever broadcast.
        pdu: 1 to 253 bytes.

    Raises:
        ValueError: A part is out of its range.
    """
    if not FIRST_ADDRESS <= address <= LAST_ADDRESS:
        raise ValueError(f"address {address} is not in {FIRST_ADDRESS}..{LAST_ADDRESS}")
    if not 1 <= len(pdu) <= LONGEST_PDU:
        raise ValueError(f"a PDU of {len(pdu)} bytes is not in 1..{LONGEST_PDU}")
    return with_crc(bytes((address,)) + pdu)


def split(
    data: bytes,
    *,
    roles: Collection[Role] = BOTH_ROLES,
    request: tuple[int, bytes] | None = None,
) -> tuple[Piece, ...]:
    """Cut bytes into frames and the rest, losing none.

    Args:
        data: The bytes in the order heard, possibly with an echo, strangers and glitches.
        roles: The roles that can occur.
        request: Address and PDU of the request we sent before hearing this, if any. A frame equal
            to it is its echo, unless it is alone and also is the response (as with loop-back).

    Returns:
        The pieces in order; their bytes joined are `data`.
    """
    decoder = Decoder(roles=roles, request=request)
    pieces = (*decoder.feed(data), *decoder.flush())
    return _settle_echo(pieces, request) if request is not None else pieces


def _settle_echo(pieces: tuple[Piece, ...], request: tuple[int, bytes]) -> tuple[Piece, ...]:
    sent = with_crc(bytes((request[0],)) + request[1])
    same = [number for number, piece in enumerate(pieces) if piece.framed and piece.data == sent]
    answered = any(
        piece.role is Role.RESPONSE and piece.data != sent and piece.address == request[0]
        for piece in pieces
    )
    own_response = matches(*((request[1],) * 2))
    settled = list(pieces)
    for count, number in enumerate(same):
        alone = len(same) == 1 and not answered
        role = Role.RESPONSE if own_response and (count or alone) else Role.REQUEST
        settled[number] = Piece(pieces[number].offset, sent, role)
    return tuple(settled)


class Decoder:
    """Finds frames in a stream that arrives in any portions."""

    def __init__(
        self,
        *,
        roles: Collection[Role] = BOTH_ROLES,
        request: tuple[int, bytes] | None = None,
    ) -> None:
        """Begin at a silence.

        Args:
            roles: The roles that can occur.
            request: Address and PDU of a request that was sent just before, if any.
        """
        self._roles = tuple(role for role in Role if role in roles)
        self._buffer = bytearray()
        self._offset = 0  # of the first byte of the buffer, counted from the first byte ever fed
        self._at = 0  # no frame begins before this place of the buffer
        self._near = NEAR  # places of the buffer before this one are near
        self._asked = request  # the latest request that has no response yet
        self._after_frame = False  # whether a frame was found since the silence

    @property
    def pending(self) -> bytes:
        """The bytes not yet given out."""
        return bytes(self._buffer)

    def feed(self, data: bytes) -> tuple[Piece, ...]:
        """Take further bytes and give the pieces that no byte still to come can change."""
        self._buffer += data
        return self._scan(final=False)

    def flush(self) -> tuple[Piece, ...]:
        """Give all the rest, at a silence or at the end; what comes next starts afresh."""
        pieces = self._scan(final=True)
        rest = bytes(self._buffer)
        if rest:
            pieces = (*pieces, Piece(self._offset, rest, None))
        self._offset += len(rest)
        self._buffer.clear()
        self._at, self._near, self._asked, self._after_frame = 0, NEAR, None, False
        return pieces

    def _scan(self, *, final: bool) -> tuple[Piece, ...]:
        buffer = self._buffer
        stop = len(buffer)
        begin, at, near = 0, self._at, self._near
        pieces: list[Piece] = []
        while at < stop:
            if at >= near:
                at, decided = _next_likely(buffer, at, stop, final)
                if not decided:
                    break
            frame = self._frame_at(at, stop, at < near, final)
            if frame is None:
                at += 1
                continue
            length, role = frame
            if length == MORE:
                break
            if at > begin:
                pieces.append(Piece(self._offset + begin, bytes(buffer[begin:at]), None))
            raw = bytes(buffer[at : at + length])
            pieces.append(Piece(self._offset + at, raw, role))
            self._asked = (raw[0], raw[1:-CRC_LENGTH]) if role is Role.REQUEST else None
            self._after_frame = True
            at += length
            begin, near = at, at + NEAR
        del buffer[:begin]
        self._offset += begin
        self._at, self._near = at - begin, near - begin
        return tuple(pieces)

    def _frame_at(self, at: int, stop: int, near: bool, final: bool) -> tuple[int, Role] | None:
        """Judge one place.

        Returns:
            Length and role of the frame there, a length of `MORE` when further bytes decide, or
            None when no frame begins there.
        """
        buffer = self._buffer
        have = stop - at
        if buffer[at] > LAST_ADDRESS:
            return None
        fits: list[tuple[int, Role]] = []
        for role in self._roles:
            rules = REQUEST_RULES if role is Role.REQUEST else RESPONSE_RULES
            length = length_at(buffer, at + 1, stop, rules)
            if length == IMPOSSIBLE or (buffer[at] == 0 and not _broadcast(buffer, at, stop, role)):
                continue
            if not near and not LIKELY_AS[role].match(buffer, at) and (final or have >= LOOKAHEAD):
                continue
            length += 1 + CRC_LENGTH
            if length > have or length == MORE + 1 + CRC_LENGTH:
                # The unfinished one is the longer one: nothing can be settled before it is whole.
                if not final:
                    return MORE, role
                continue
            if is_intact_at(buffer, at, length):
                fits.append((length, role))
        if len(fits) > 1:
            return self._choose(at, fits)
        return fits[0] if fits else None

    def _choose(self, at: int, fits: list[tuple[int, Role]]) -> tuple[int, Role]:
        buffer = self._buffer
        if self._asked is not None and self._asked[0] == buffer[at]:
            asked = self._asked[1]
            bodies = {role: bytes(buffer[at + 1 : at + n - CRC_LENGTH]) for n, role in fits}
            again = bodies[Role.REQUEST] == asked
            if again and not matches(asked, asked):
                return next(fit for fit in fits if fit[1] is Role.REQUEST)
            if matches(asked, bodies[Role.RESPONSE]):
                return next(fit for fit in fits if fit[1] is Role.RESPONSE)
        likely = [fit for fit in fits if LIKELY_AS[fit[1]].match(buffer, at)] or fits
        if self._after_frame or len({length for length, _ in likely}) == 1:
            # Not the response to the frame before, so the next request.
            return likely[0]
        return max(likely, key=lambda fit: fit[0])


def _broadcast(buffer: bytes | bytearray, at: int, stop: int, role: Role) -> bool:
    if role is not Role.REQUEST:
        return False
    return at + 1 >= stop or buffer[at + 1] in _BROADCAST_WRITES


def _next_likely(buffer: bytes | bytearray, at: int, stop: int, final: bool) -> tuple[int, bool]:
    """Find the next place far from frames where one may begin.

    Returns:
        The place, and whether it is one; if not, the place up to which none can begin.
    """
    found = LIKELY.search(buffer, at)
    if final:
        return (found.start(), True) if found else (stop, False)
    # From here on, bytes still to come may complete a form.
    open_from = max(at, stop - LOOKAHEAD + 1)
    if found and found.start() <= open_from:
        return found.start(), True
    return open_from, False
