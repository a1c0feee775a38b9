"""A master that polls on its own, whoever else is on the line."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from busprobe.wire.crc import with_crc
from busprobe_sim.line.node import Node
from busprobe_sim.line.parameters import MasterParameters
from busprobe_sim.line.station import silence_ns
from busprobe_sim.line.things import Thing, Transmission

if TYPE_CHECKING:
    from busprobe_sim.line.line import Line

_MILLISECOND_NS = 1e6


class ForeignMaster(Node):
    """A polling master.

    It takes whatever comes after its request, up to a silence of t3.5, as the reply, without
    looking at it, as simple masters do.

    Attributes:
        replies: What came after each of its requests.
    """

    def __init__(self, line: Line, parameters: MasterParameters) -> None:
        super().__init__(line, f"master-{len(line.nodes)}", parameters.node)
        self.master = parameters
        self.replies: list[bytes] = []
        self._next = 0
        self._poll_ns = round(parameters.first_ms * _MILLISECOND_NS)
        self._waiting: object | None = None
        self._switched: list[tuple[int, bool]] = []
        line.schedule(self._poll_ns, self._poll)

    def unplug(self, at_ns: int, *, plugged: bool = False) -> None:
        """Take it off the line, or plug it in again; what it is sending then is sent to the end.

        Args:
            at_ns: When, on the clock of the line [ns].
            plugged: Plug it in again.
        """
        self._switched.append((at_ns, plugged))

    def _is_plugged(self, now_ns: int) -> bool:
        states = [plugged for at_ns, plugged in self._switched if at_ns <= now_ns]
        return states[-1] if states else True

    def _poll(self) -> None:
        self._poll_ns += round(self.master.period_ms * _MILLISECOND_NS)
        self._next = 0
        self._ask()

    def _ask(self) -> None:
        line = self.line
        if self._next >= len(self.master.requests) or not self._is_plugged(line.now_ns):
            line.schedule(self._poll_ns, self._poll)
            return
        address, pdu = self.master.requests[self._next]
        self._next += 1
        self.hearing.advance(line.now_ns)
        self.hearing.take()
        line.transmit(self, with_crc(bytes([address]) + pdu), line.now_ns)
        assert self.sending is not None
        token = object()
        self._waiting = token
        give_up = self.sending.last_ns + self.master.timeout_ms * _MILLISECOND_NS
        line.schedule(round(give_up), lambda: self._done(token))

    def noticed(self, thing: Thing) -> None:
        """Look for a reply when this is over."""
        if isinstance(thing, Transmission) and thing.node is not self:
            token = self._waiting
            if token is not None:
                quiet = math.ceil(thing.last_ns + silence_ns(self.settings))
                self.line.schedule(quiet, lambda: self._done(token))

    def _done(self, token: object) -> None:
        if self._waiting is not token:
            return
        self.hearing.advance(self.line.now_ns)
        self._waiting = None
        self.replies.append(self.hearing.take().data)
        gap = round(self.master.gap_ms * _MILLISECOND_NS)
        self.line.schedule(self.line.now_ns + gap, self._ask)
