"""The client's side of a remote serial port, as bytes in and bytes out: no socket, no clock.

Sources: RFC 854 (Telnet commands), RFC 856 (binary), RFC 858 (suppress go ahead), RFC 2217 (COM
port control option). The serial bytes travel as Telnet data, 255 doubled. Settings are
subnegotiations:

    IAC SB 44 code value IAC SE        the server answers with code + 100 and the value in force
"""

from __future__ import annotations

from busprobe.link.line_errors import LineErrors
from busprobe.model.line import LineSettings, Parity

# RFC 854, page 14.
IAC, DONT, DO, WONT, WILL, SB, SE = 255, 254, 253, 252, 251, 250, 240
# RFC 856, RFC 858, RFC 2217 section 3.
BINARY, SUPPRESS_GO_AHEAD, COM_PORT = 0, 3, 44
# RFC 2217, section 3: client to server; the server's answers are 100 higher.
SET_BAUDRATE, SET_DATASIZE, SET_PARITY, SET_STOPSIZE, SET_CONTROL = 1, 2, 3, 4, 5
NOTIFY_LINESTATE, SET_LINESTATE_MASK, SET_MODEMSTATE_MASK = 6, 10, 11
_ANSWER = 100
_NO_FLOW_CONTROL = 1
_PARITIES = {Parity.NONE: 1, Parity.ODD: 2, Parity.EVEN: 3}
# RFC 2217, section 3, NOTIFY-LINESTATE.
_OVERRUN, _PARITY, _FRAMING, _BREAK = 2, 4, 8, 16
_ERROR_MASK = _OVERRUN | _PARITY | _FRAMING | _BREAK

_WANTED = (BINARY, SUPPRESS_GO_AHEAD, COM_PORT)
# The longest subnegotiation that is remembered; a server that sends more talks nonsense.
_LONGEST_SUBNEGOTIATION = 64


def escaped(data: bytes) -> bytes:
    """Serial bytes as Telnet data."""
    return data.replace(b"\xff", b"\xff\xff")


def _subnegotiation(code: int, value: bytes) -> bytes:
    return bytes((IAC, SB, COM_PORT, code)) + escaped(value) + bytes((IAC, SE))


class ComPortClient:
    """Takes the stream apart, answers the server and remembers what it said.

    Attributes:
        outgoing: What must be sent; the owner sends it and clears it.
        accepted: Whether the server agreed to control a serial port; None while it is silent.
    """

    def __init__(self) -> None:
        self.outgoing = bytearray()
        self.accepted: bool | None = None
        self._we: dict[int, bool] = {}  # what we told to do or not to do
        self._they: dict[int, bool] = {}  # what we told the server to do or not to do
        self._command: int | None = None  # IAC or the verb that awaits its option
        self._sub: bytearray | None = None
        self._answers: dict[int, bytes] = {}
        self._asked: dict[int, bytes] = {}
        self._errors = LineErrors(0, 0, 0, 0)

    def start(self) -> None:
        """Offer and ask for what a remote serial port needs."""
        for option in _WANTED:
            self._tell(WILL, option)
        for option in (BINARY, SUPPRESS_GO_AHEAD):
            self._tell(DO, option)

    def ask_for(self, settings: LineSettings) -> None:
        """Ask the server to set its serial port."""
        self._ask(SET_BAUDRATE, settings.baud.to_bytes(4, "big"))
        self._ask(SET_DATASIZE, bytes((8,)))
        self._ask(SET_PARITY, bytes((_PARITIES[settings.parity],)))
        self._ask(SET_STOPSIZE, bytes((settings.stop_bits,)))

    def ask_for_reports(self) -> None:
        """Ask for no flow control, for line errors to be told, and modem lines not."""
        self.outgoing += _subnegotiation(SET_CONTROL, bytes((_NO_FLOW_CONTROL,)))
        self.outgoing += _subnegotiation(SET_MODEMSTATE_MASK, bytes((0,)))
        self.outgoing += _subnegotiation(SET_LINESTATE_MASK, bytes((_ERROR_MASK,)))

    @property
    def answered(self) -> bool:
        """Whether the server has answered every setting asked for."""
        return self._asked.keys() <= self._answers.keys()

    @property
    def refused(self) -> tuple[int, ...]:
        """Codes of the settings that the server answered with another value."""
        return tuple(
            code for code, value in self._asked.items() if self._answers.get(code, value) != value
        )

    @property
    def line_errors(self) -> LineErrors | None:
        """Line errors told by the server; None unless it has agreed to tell them."""
        agreed = self._answers.get(SET_LINESTATE_MASK) == bytes((_ERROR_MASK,))
        return self._errors if agreed else None

    def feed(self, data: bytes) -> bytes:
        """Take bytes of the connection, in any pieces, and give the serial bytes among them."""
        serial = bytearray()
        for byte in data:
            self._take(byte, serial)
        return bytes(serial)

    def _take(self, byte: int, serial: bytearray) -> None:
        command, self._command = self._command, None
        if command is None:
            if byte == IAC:
                self._command = IAC
            else:
                self._store(byte, serial)
        elif command == IAC:
            if byte == IAC:
                self._store(IAC, serial)
            elif byte in (WILL, WONT, DO, DONT):
                self._command = byte
            elif byte == SB:
                self._sub = bytearray()
            elif byte == SE and self._sub is not None:
                self._end_subnegotiation(bytes(self._sub))
                self._sub = None
            # Every other command has no meaning for a serial port.
        else:
            self._negotiate(command, byte)

    def _store(self, byte: int, serial: bytearray) -> None:
        if self._sub is None:
            serial.append(byte)
        elif len(self._sub) < _LONGEST_SUBNEGOTIATION:
            self._sub.append(byte)

    def _tell(self, verb: int, option: int) -> None:
        """Say a verb unless it was said before: answers to answers would never end (RFC 1143)."""
        said = self._we if verb in (WILL, WONT) else self._they
        positive = verb in (WILL, DO)
        if said.get(option) is not positive:
            said[option] = positive
            self.outgoing += bytes((IAC, verb, option))

    def _negotiate(self, verb: int, option: int) -> None:
        wanted = option in _WANTED
        if verb == DO:
            self._tell(WILL if wanted else WONT, option)
        elif verb == WILL:
            self._tell(DO if wanted else DONT, option)
        elif verb == DONT:
            self._tell(WONT, option)
        else:
            self._tell(DONT, option)
        if option == COM_PORT and verb in (DO, DONT):
            self.accepted = verb == DO

    def _ask(self, code: int, value: bytes) -> None:
        self._asked[code] = value
        self._answers.pop(code, None)
        self.outgoing += _subnegotiation(code, value)

    def _end_subnegotiation(self, sub: bytes) -> None:
        if len(sub) < 3 or sub[0] != COM_PORT:
            return
        code, value = sub[1] - _ANSWER, sub[2:]
        if code == NOTIFY_LINESTATE:
            state = value[0]
            self._errors = LineErrors(
                self._errors.framing + bool(state & _FRAMING),
                self._errors.parity + bool(state & _PARITY),
                self._errors.overrun + bool(state & _OVERRUN),
                self._errors.breaks + bool(state & _BREAK),
            )
        elif code >= 0:
            # Some servers fill the value up; what counts is its front (RFC 2217 gives no padding).
            asked = self._asked.get(code)
            self._answers[code] = value if asked is None else value[: len(asked)]
