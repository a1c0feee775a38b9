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
from dataclasses import dataclass, replace

from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS
from busprobe.wire.crc import CRC_LENGTH, LONGEST_ADU, is_intact_at, with_crc
from busprobe.wire.functions import EXCEPTION_BIT, Role
from busprobe.wire.likely import LIKELY, LIKELY_AS, LOOKAHEAD, POSSIBLE, POSSIBLE_LOOKAHEAD
from busprobe.wire.pdu import matches
from busprobe.wire.structure import (
    IMPOSSIBLE,
    LONGEST_PDU,
    MORE,
    REQUEST_RULES,
    RESPONSE_RULES,
    Buffer,
    Rule,
)

BOTH_ROLES = frozenset(Role)

# Longer than any frame: whatever is lost, the next frame begins within this distance.
NEAR = LONGEST_ADU

_NONE, _WAIT = 0, -1
_NOTHING, _UNDECIDED = (_NONE, Role.REQUEST), (_WAIT, Role.REQUEST)


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


def may_hold_answer(data: Buffer, address: int, function: int) -> bool:
    """Tell, at a glance, whether an answer of a device may be among the bytes.

    Args:
        data: What was heard so far.
        address: The device.
        function: Function code of the request.

    Returns:
        False only when `split` can find no frame of this address that answers the function, with a
        value or an exception.
    """
    stop = len(data)
    at = data.find(address)
    while 0 <= at < stop - 1:
        code = data[at + 1]
        if code & ~EXCEPTION_BIT == function:
            for rules in (REQUEST_RULES, RESPONSE_RULES):
                rule = rules.get(code)
                if rule is not None and _fit(data, at, stop, rule, True):
                    return True
        at = data.find(address, at + 1)
    return False


def _adu(request: tuple[int, bytes] | None) -> bytes | None:
    return None if request is None else with_crc(bytes((request[0],)) + request[1])


def _settle_echo(pieces: tuple[Piece, ...], request: tuple[int, bytes]) -> tuple[Piece, ...]:
    sent = _adu(request)
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
        settled[number] = replace(pieces[number], role=role)
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
        self._forms = tuple(
            (role, REQUEST_RULES if role is Role.REQUEST else RESPONSE_RULES, LIKELY_AS[role])
            for role in Role
            if role in roles
        )
        self._junk = bytearray()  # bytes that begin no frame, since the last one
        self._buffer = b""  # bytes not decided yet
        self._offset = 0  # of the first of them, counted from the first byte ever fed
        self._near = NEAR  # places of the buffer before this one are near
        self._asked = _adu(request)  # the latest request that has no response yet
        self._after_frame = False  # whether a frame was found since the silence

    @property
    def pending(self) -> bytes:
        """The bytes not yet given out."""
        return bytes(self._junk) + self._buffer

    def feed(self, data: bytes) -> tuple[Piece, ...]:
        """Take further bytes and give the pieces that no byte still to come can change."""
        self._buffer += data
        return tuple(self._scan(final=False))

    def flush(self) -> tuple[Piece, ...]:
        """Give all the rest, at a silence or at the end; what comes next starts afresh."""
        pieces = self._scan(final=True)
        if self._junk:
            pieces.append(self._junk_piece(self._offset))
        self._near, self._asked, self._after_frame = NEAR, None, False
        return tuple(pieces)

    def _junk_piece(self, end: int) -> Piece:
        piece = Piece(end - len(self._junk), bytes(self._junk), None)
        self._junk.clear()
        return piece

    def _scan(self, *, final: bool) -> list[Piece]:
        buffer = self._buffer
        stop = len(buffer)
        offset, near = self._offset, self._near
        # A frame begins at once where nothing has been passed over since the one before.
        begin = -1 if self._junk else 0
        kept = at = 0
        pieces: list[Piece] = []
        while at < stop:
            if at != begin:
                place, decided = _next_place(buffer, at, near, stop, final)
                leaves = at < near <= place
                at = place
                if not decided:
                    break
                if leaves:
                    continue
            length, role = self._frame_at(at, stop, at < near, final)
            if length == _WAIT:
                break
            if length == _NONE:
                at += 1
                continue
            if at > kept or self._junk:
                self._junk += buffer[kept:at]
                pieces.append(self._junk_piece(offset + at))
            raw = buffer[at : at + length]
            pieces.append(Piece(offset + at, raw, role))
            self._asked = raw if role is Role.REQUEST else None
            self._after_frame = True
            kept = begin = at = at + length
            near = at + NEAR
        self._junk += buffer[kept:at]
        self._buffer = buffer[at:]
        self._offset += at
        self._near = near - at
        return pieces

    def _frame_at(self, at: int, stop: int, near: bool, final: bool) -> tuple[int, Role]:
        """Judge one place.

        Returns:
            Length and role of the frame there; a length of `_WAIT` when bytes still to come decide,
            `_NONE` when no frame begins there.
        """
        buffer = self._buffer
        have = stop - at
        address = buffer[at]
        if address > LAST_ADDRESS:
            return _NOTHING
        if have < 2:
            return _NOTHING if final else _UNDECIDED
        function = buffer[at + 1]
        best = _NOTHING
        unlikely = []
        for role, rules, form in self._forms:
            rule = rules.get(function)
            if rule is None:
                continue
            if form.match(buffer, at):
                length = _fit(buffer, at, stop, rule, final)
                if length == _WAIT:
                    return _UNDECIDED
                if length:
                    best = self._better(at, best, (length, role))
            elif have < LOOKAHEAD and not final:
                return _UNDECIDED
            else:
                unlikely.append((rule, role))
        if best is _NOTHING and near and address:
            for rule, role in unlikely:
                length = _fit(buffer, at, stop, rule, final)
                if length == _WAIT:
                    return _UNDECIDED
                if length:
                    best = self._better(at, best, (length, role))
        return best

    def _better(
        self, at: int, request: tuple[int, Role], response: tuple[int, Role]
    ) -> tuple[int, Role]:
        """Decide between a request and a response that begin at one place, both intact."""
        if request is _NOTHING:
            return response
        buffer = self._buffer
        if self._asked is not None and self._asked[0] == buffer[at]:
            asked = self._asked[1:-CRC_LENGTH]
            again = buffer[at + 1 : at + request[0] - CRC_LENGTH] == asked
            if again and not matches(asked, asked):
                return request
            if matches(asked, buffer[at + 1 : at + response[0] - CRC_LENGTH]):
                return response
        if self._after_frame or request[0] == response[0]:
            # It does not answer the frame before, so it is the next request.
            return request
        return request if request[0] > response[0] else response


def _fit(buffer: Buffer, at: int, stop: int, rule: Rule, final: bool) -> int:
    """Give the length of an intact frame, `_WAIT` or `_NONE`."""
    length = rule if isinstance(rule, int) else rule(buffer, at + 1, stop)
    if length == IMPOSSIBLE:
        return _NONE
    length += 1 + CRC_LENGTH
    if length > stop - at or length == MORE + 1 + CRC_LENGTH:
        # What is unfinished is longer than all that is whole: nothing is settled before it.
        return _NONE if final else _WAIT
    return length if is_intact_at(buffer, at, length) else _NONE


def _next_place(buffer: bytes, at: int, near: int, stop: int, final: bool) -> tuple[int, bool]:
    """Find the next place where a frame may begin.

    Returns:
        The place, and True; or the place up to which none begins, and False when what is there has
        to wait for further bytes (or there is nothing). A place at or behind `near`, sought from
        before it, only tells that none begins before it.
    """
    forms, reach = (POSSIBLE, POSSIBLE_LOOKAHEAD) if at < near else (LIKELY, LOOKAHEAD)
    found = forms.search(buffer, at + 1)
    place = found.start() - 1 if found else stop
    if at < near < place:
        place = near
    # From here on, bytes still to come may complete a form.
    open_from = stop if final else max(at, stop - reach + 1)
    return (place, place < stop) if place <= open_from else (open_from, False)
