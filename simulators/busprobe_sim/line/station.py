"""A device: firmware between its UART and its register server."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busprobe.model.line import LineSettings
from busprobe.wire.crc import is_intact, is_intact_at, with_crc
from busprobe.wire.structure import REQUEST_RULES, length_at
from busprobe_sim.line.node import Node
from busprobe_sim.line.parameters import DeviceFraming, OnOtherRequest, StationParameters
from busprobe_sim.line.things import Thing, Transmission
from busprobe_sim.physics.chance import stream

if TYPE_CHECKING:
    from busprobe_sim.line.line import Line
    from busprobe_sim.meters.base import Server

_MILLISECOND_NS = 1e6
# Modbus over Serial Line V1.02, section 2.5.1.1: t3.5, fixed above 19200 Bd.
_SILENCE_CHARACTERS = 3.5
_FIXED_ABOVE_BAUD = 19200
_FIXED_SILENCE_NS = 1_750_000.0
# A tolerant device still begins anew after so long a silence (common practice, no source).
_TOLERANT_RESTART_NS = 50e6
# Same section: t1.5, the longest silence inside a frame.
_INNER_SILENCE_CHARACTERS = 1.5
_FIXED_INNER_SILENCE_NS = 750_000.0
_BROADCAST = 0
_CRC = 2


def silence_ns(settings: LineSettings) -> float:
    """The silence t3.5 that ends a frame [ns]."""
    if settings.baud > _FIXED_ABOVE_BAUD:
        return _FIXED_SILENCE_NS
    return _SILENCE_CHARACTERS * settings.bits_per_character * settings.bit_ns


def inner_silence_ns(settings: LineSettings) -> float:
    """The silence t1.5 beyond which a frame is incomplete [ns]."""
    if settings.baud > _FIXED_ABOVE_BAUD:
        return _FIXED_INNER_SILENCE_NS
    return _INNER_SILENCE_CHARACTERS * settings.bits_per_character * settings.bit_ns


_BABBLE_BYTES = 32


@dataclass(frozen=True, slots=True)
class _Frame:
    """An intact frame that was heard; its quiet is the silence before it [ns]."""

    adu: bytes
    end_ns: int
    quiet_ns: float


class Station(Node):
    """A device on the line.

    Attributes:
        address: Its address; may be changed at any time.
        server: Its registers.
        heard_requests: How many requests to it were understood.
        on_restart: Called when it was off and is on again, with the instant [ns].
    """

    def __init__(self, line: Line, parameters: StationParameters, server: Server) -> None:
        name = f"station-{len(line.nodes)}@{parameters.address}"
        super().__init__(line, name, parameters.node)
        self.station = parameters
        self.address = parameters.address
        self.server = server
        self.heard_requests = 0
        self._random = stream(line.seed, name)
        self._due_ns = -1
        self._data = bytearray()
        self._starts: list[int] = []
        self._ends: list[int] = []
        self._traffic_ns = -math.inf
        self._lost_until_ns = -math.inf
        self._pending: object | None = None
        self._held_byte = b""
        self._change: tuple[int | None, LineSettings | None] | None = None
        self._away_until_ns = -1
        self.on_restart: Callable[[int], None] | None = None
        if parameters.never_stops:
            line.schedule(line.now_ns, self._babble)

    def _babble(self) -> None:
        data = self._random.randbytes(_BABBLE_BYTES)
        start = self.line.transmit(self, data, self.line.now_ns)
        # What follows is appended while it still sends, so that there is no gap.
        self.line.schedule(start + self.settings.duration_ns(len(data) - 1), self._babble)

    # -- listening

    @property
    def _silence_ns(self) -> float:
        strict = self.station.framing is DeviceFraming.STRICT
        # A tolerant device looks as soon as its UART has the byte.
        return silence_ns(self.settings) if strict else 0.1 * self.bit_ns

    def noticed(self, thing: Thing) -> None:
        """Look at the line when this is over."""
        if isinstance(thing, Transmission):
            if thing.node is not self:
                self._look_at(thing.last_ns + self._silence_ns)
        else:
            self._look_at(thing.end_ns + self._silence_ns + self.timing.character_ns)

    def _look_at(self, t_ns: float) -> None:
        due = math.ceil(t_ns) + 1
        if due > self._due_ns:
            self._due_ns = due
            self.line.schedule(due, self._look)

    def _look(self) -> None:
        if self.station.never_stops:
            return
        now = self.line.now_ns
        if now < self._due_ns or not self.connected:
            return
        self._listen()
        if self.hearing.inside_character:
            self._look_at(now + self.timing.character_ns)
            return
        if not self._ends:
            return
        quiet_from = self._ends[-1] + self._silence_ns
        if self.station.framing is DeviceFraming.STRICT and quiet_from > now:
            self._look_at(quiet_from)
            return
        frames = (
            self._strict_frames()
            if self.station.framing is DeviceFraming.STRICT
            else self._tolerant_frames()
        )
        for frame in frames:
            self._understand(frame)

    def _listen(self) -> None:
        self.hearing.advance(self.line.now_ns)
        heard = self.hearing.take()
        self._data += heard.data
        self._starts += heard.starts
        self._ends += heard.ends

    def _forget(self, count: int) -> None:
        if count:
            self._traffic_ns = self._ends[count - 1]
            del self._data[:count], self._starts[:count], self._ends[:count]

    def _strict_frames(self) -> list[_Frame]:
        """Cut at silences; whatever is not intact as a whole is lost."""
        frames, silence = [], self._silence_ns
        between = zip(self._starts[1:], self._ends, strict=False)
        cuts = [i for i, (start, end) in enumerate(between, 1) if start - end >= silence]
        first = 0
        for i in (*cuts, len(self._ends)):
            adu = bytes(self._data[first:i])
            if is_intact(adu) and self._in_one_piece(first, i):
                before = self._ends[first - 1] if first else self._traffic_ns
                frames.append(_Frame(adu, self._ends[i - 1], self._starts[first] - before))
            first = i
        self._forget(first)
        return frames

    def _in_one_piece(self, first: int, end: int) -> bool:
        """Whether no silence inside a frame is longer than this device bears."""
        if not self.station.keeps_t1_5:
            return True
        longest = inner_silence_ns(self.settings)
        gaps = (self._starts[i] - self._ends[i - 1] for i in range(first + 1, end))
        return all(gap <= longest for gap in gaps)

    def _tolerant_frames(self) -> list[_Frame]:
        """Find intact requests wherever they begin."""
        frames = []
        data, i, used = self._data, 0, 0
        while i + 4 <= len(data):
            length = length_at(data, i + 1, len(data), REQUEST_RULES) + 1 + _CRC
            if 4 <= length <= len(data) - i and is_intact_at(data, i, length):
                before = self._ends[i - 1] if i else self._traffic_ns
                end = i + length
                frames.append(
                    _Frame(bytes(data[i:end]), self._ends[end - 1], self._starts[i] - before)
                )
                i = used = end
            else:
                i += 1
        if self._ends[-1] + _TOLERANT_RESTART_NS < self.line.now_ns:
            used = len(data)
        self._forget(max(used, len(data) - 256))
        return frames

    # -- answering

    def _understand(self, frame: _Frame) -> None:
        habits, address, pdu = self.station, frame.adu[0], frame.adu[1:-_CRC]
        request = length_at(pdu, 0, len(pdu), REQUEST_RULES) == len(pdu)
        if frame.end_ns < max(self._lost_until_ns, self._away_until_ns):
            return
        mine = address == self.address
        if not mine and address != _BROADCAST:
            if self._random.random() < habits.sync_loss_rate:
                self._lost_until_ns = frame.end_ns + habits.resync_ms * _MILLISECOND_NS
            if not request:
                return
            if habits.on_other_request is OnOtherRequest.ABORT:
                self._pending = None
            if self._random.random() >= habits.foreign_answer_rate:
                return
        if not request or frame.quiet_ns < habits.min_gap_ms * _MILLISECOND_NS:
            return
        if self._random.random() < habits.drop_rate:
            return
        if self._pending is not None:
            if habits.on_other_request is OnOtherRequest.SEND:
                return
            self._pending = None
        self.heard_requests += mine
        answer = self.server.respond(pdu, self.line.now_ns)
        if answer is None or address == _BROADCAST:
            self._apply_change()
            return
        self._owe(with_crc(bytes([self.address]) + answer), frame.end_ns)

    def _owe(self, adu: bytes, request_end_ns: int) -> None:
        wait_ms = self.station.turnaround_ms + self._random.random() * self.station.loop_ms
        start = round(request_end_ns + wait_ms * _MILLISECOND_NS)
        token = object()
        self._pending = token
        on = round(start - self.parameters.lead_bits * self.bit_ns)
        self.line.schedule(on, lambda: self._reply(token, adu, start))

    def _reply(self, token: object, adu: bytes, start_ns: int) -> None:
        if self._pending is not token:
            return
        self._pending = None
        if self.station.listens_first:
            self._listen()
            if self._ends or self.hearing.busy:
                self._apply_change()
                return
        sent = self._held_byte + adu
        self._held_byte = b""
        cut_first = self.station.cut_first_byte_rate
        if cut_first and self._random.random() < cut_first:
            sent = sent[1:]
        if self._random.random() < self.station.cut_last_byte_rate:
            sent = sent[:-1]
        elif self._random.random() < self.station.late_last_byte_rate:
            sent, self._held_byte = sent[:-1], sent[-1:]
        start_ns = max(start_ns, self.line.now_ns)
        pause_after = self.station.pause_after
        if 0 < pause_after < len(sent):
            first, sent = sent[:pause_after], sent[pause_after:]
            self.line.transmit(self, first, start_ns)
            assert self.sending is not None
            start_ns = round(self.sending.last_ns + self.station.pause_ms * _MILLISECOND_NS)
        self.line.transmit(self, sent, start_ns)
        if self.sending is not None:
            self._traffic_ns = max(self._traffic_ns, self.sending.last_ns)
            if self._change is not None:
                self.line.schedule(math.ceil(self.sending.end_ns), self._apply_change)

    # -- changing

    def request_change(
        self,
        *,
        address: int | None = None,
        settings: LineSettings | None = None,
        at_once: bool = False,
    ) -> None:
        """Change address or settings after the reply that is owed, as devices do.

        Meant to be called by the register server while it handles the request; the change takes
        effect when the reply has left (at once when none will).

        Args:
            address: New address, or None to keep it.
            settings: New settings, or None to keep them.
            at_once: Before the reply, which then comes from the new address at the new settings.
        """
        self._change = (address, settings)
        if at_once:
            self._apply_change()

    def restart(self, away_ns: int) -> None:
        """Be off from now on, and on again after a while [ns]."""
        now = self.line.now_ns
        self._pending = self._change = None
        self._held_byte = b""
        self._away_until_ns = now + away_ns
        self.line.schedule(self._away_until_ns, self._come_back)

    @property
    def is_restarting(self) -> bool:
        """Whether it is off, or starting right now."""
        return self.line.now_ns <= self._away_until_ns

    def _come_back(self) -> None:
        if self.on_restart is not None and self.line.now_ns >= self._away_until_ns:
            self.on_restart(self.line.now_ns)

    def _apply_change(self) -> None:
        if self._change is None:
            return
        address, settings = self._change
        self._change = None
        if address is not None:
            self.address = address
        if settings is not None:
            self.configure(settings)
