"""How long to wait for answers of an address, by those that came so far."""

from __future__ import annotations

from dataclasses import dataclass, field

from busprobe.diagnosis.duplicate.hypotheses import tells
from busprobe.diagnosis.duplicate.observe import Kind, Observation
from busprobe.model.exchange import Exchange

MS = 1_000_000

# A second meter may be up to a few hundred milliseconds slower than the first (meter manuals: up to
# 300 ms); later requests need not wait for it again.
_LONG_LINGER_NS = 320 * MS
_SHORT_LINGER_NS = 75 * MS
_LONG_LINGERS = 1
_LISTEN_NS = 700 * MS
# A device that is slow now and then (inverters and gateways need up to a second) gets more.
_PATIENT_NS = 1_500 * MS
_SLOW_NS = 250 * MS
# Later requests wait for the latest answer so far, and this much longer.
_LATER_NS = 150 * MS
_LATER_FACTOR = 1.3
# At the limits of understanding silence is expected, and not waited for long.
_MARGIN_FACTOR = 1.1
_MARGIN_NS = 15 * MS
_MARGIN_GAP_NS = 10 * MS
_GAPS_NS = (20 * MS, 100 * MS, 500 * MS)
# An answer that takes this much longer than its bytes pauses [character].
_NO_PAUSE = 2
# Long enough to hear a line that speaks by itself.
_IDLE_NS = 500 * MS


@dataclass
class Waiting:
    """What is known of the habits of the devices at an address.

    Attributes:
        damaged_from_ns: How soon after the request the earliest damaged answer began [ns].
    """

    damaged_from_ns: int = 1_000 * MS
    _latest_ns: int = 0
    _paused_ns: dict[bytes, int] = field(default_factory=dict)
    _slowest_ns: int = 0
    _gap: int = 0
    _gap_is_innocent: bool = False
    _silent: list[bool] = field(default_factory=list)

    def take(self, exchange: Exchange, seen: Observation) -> None:
        """Take any exchange."""
        asked = exchange.request.pdu
        self._paused_ns[asked] = max(self._paused_ns.get(asked, 0), paused_ns(exchange))
        if seen.turnarounds_ns:
            self._latest_ns = max(self._latest_ns, seen.turnarounds_ns[0])
        elif exchange.turnaround_ns is not None and tells(seen.kind):
            self._latest_ns = max(self._latest_ns, exchange.turnaround_ns)
            self.damaged_from_ns = min(self.damaged_from_ns, exchange.turnaround_ns)

    def take_usual(self, seen: Observation) -> None:
        """Take an exchange at the rate of the line."""
        if len(seen.turnarounds_ns) > 1:
            after = seen.turnarounds_ns[1] - seen.turnarounds_ns[0]
            self._slowest_ns = max(self._slowest_ns, after)
        if seen.kind is Kind.SILENT and self._silent:
            self._change_gap()
        self._silent.append(seen.kind is Kind.SILENT)

    def _change_gap(self) -> None:
        """Give a device a longer rest before the next request, unless that does not help."""
        if self._gap_is_innocent:
            return
        self._gap += 1
        if self._gap == len(_GAPS_NS):
            self._gap, self._gap_is_innocent = 0, True

    def gap_ns(self, *, idle: bool = False) -> int:
        """Silence between two requests [ns].

        Args:
            idle: Long enough to hear whether the line speaks by itself.
        """
        return max(_GAPS_NS[self._gap], _IDLE_NS if idle else 0)

    def linger_ns(self, *, doubtful: bool) -> int:
        """How long to listen for a second answer; long again where one seems to be about [ns]."""
        first = len(self._silent) < _LONG_LINGERS
        return _LONG_LINGER_NS if first or doubtful else _SHORT_LINGER_NS

    @property
    def piece_linger_ns(self) -> int:
        """The same for one register [ns]."""
        return max(_SHORT_LINGER_NS // 3, self._slowest_ns)

    @property
    def listen_ns(self) -> int:
        """How long to wait for a first byte [ns]."""
        if self._latest_ns > _SLOW_NS and any(self._silent):
            return _PATIENT_NS
        if len(self._silent) < _LONG_LINGERS or any(self._silent[-2:]):
            return _LISTEN_NS
        return min(_PATIENT_NS, round(_LATER_FACTOR * self._latest_ns) + _LATER_NS)

    def margin_listen_ns(self, asked: bytes) -> int:
        """The same at the limits of understanding, where a request is sent [ns].

        What comes after a pause in the answer has to be waited for as well.
        """
        first = round(_MARGIN_FACTOR * self._latest_ns) + _MARGIN_NS
        return first + self._paused_ns.get(asked, 0)

    @property
    def margin_gap_ns(self) -> int:
        """Silence after a request at the limits of understanding [ns]."""
        return _GAPS_NS[self._gap] if self._gap else _MARGIN_GAP_NS


def paused_ns(exchange: Exchange) -> int:
    """How long an answer took that paused, from its first byte to its last; else 0 [ns]."""
    answer, request = exchange.answer, exchange.request
    if answer is None:
        return 0
    character_ns = (request.t_end_ns - request.t_start_ns) // max(1, len(request.raw))
    took_ns = answer.t_end_ns - answer.t_start_ns
    usual_ns = (len(answer.raw) + _NO_PAUSE) * character_ns + exchange.turnaround_uncertainty_ns
    return took_ns if took_ns > usual_ns else 0
