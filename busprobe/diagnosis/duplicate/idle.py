"""A line that speaks by itself: what lies beside answers there says nothing about devices.

A pair without bias that nobody drives reads as whatever noise makes of it, at any length. Bytes
beside an answer are those of a second device only where the line is quiet while nobody speaks; so
it is listened to before they count. Nor does hearing one device alone show that there is no other:
what keeps our receiver busy may keep that of another device from finding our requests.
"""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.diagnosis.cut_answers import PULSES
from busprobe.diagnosis.duplicate.observe import Kind
from busprobe.model.exchange import Frame, Unframed

# A sag of an idle pair is one or two bytes, as single pulses leave them; more in one silence, and
# again, is a line that is restless; with so many other bytes among them it speaks.
_LONG = 3
_OFTEN = 2
_OTHERS = 3
# So many silences as long as this are enough to know a quiet line.
_ENOUGH_NS = 1_000_000_000

# Nothing but bytes beside a whole answer: as if there were none.
_BESIDE = frozenset((Kind.PULSE, Kind.SPECK, Kind.TAIL, Kind.HEAD))
# No whole answer, and no shape that noise does not have.
_SHAPELESS = frozenset(
    (
        Kind.LONG,
        Kind.GARBLED,
        Kind.SHRUNK,
        Kind.BROKEN,
        Kind.NICKED,
        Kind.START,
        Kind.FRONT,
        Kind.EARLY,
        Kind.TORN,
    )
)


class IdleLine:
    """What was heard while nobody was asked.

    Args:
        address: What begins with it may be a late answer, and no noise.
    """

    def __init__(self, address: int) -> None:
        self._address = address
        self._listened_ns = 0
        self._long = 0
        self._others = 0

    def take(self, stray: Sequence[Frame | Unframed], gap_ns: int) -> None:
        """Take what was heard in a silence.

        Args:
            stray: It.
            gap_ns: How long was listened [ns].
        """
        self._listened_ns += gap_ns
        answers = any(isinstance(p, Frame) or p.data[0] == self._address for p in stray)
        heard = b"".join(p.data for p in stray if isinstance(p, Unframed))
        if not answers and len(heard) >= _LONG:
            self._long += 1
            self._others += sum(byte not in PULSES for byte in heard)

    @property
    def is_restless(self) -> bool:
        """Whether bytes come of themselves, be it those of single pulses."""
        return self._long >= _OFTEN

    @property
    def speaks(self) -> bool:
        """Whether bytes of all kinds come of themselves."""
        return self.is_restless and self._others >= _OTHERS

    @property
    def is_known(self) -> bool:
        """Whether it was listened to for long enough."""
        return self.speaks or self._listened_ns >= _ENOUGH_NS

    def weighed_as(self, kind: Kind) -> Kind | None:
        """As what a kind of exchange is to be weighed; None where it says nothing."""
        if not self.speaks:
            return kind
        if kind in _BESIDE:
            return Kind.CLEAN
        return None if kind in _SHAPELESS else kind
