"""Every exchange of a visit, a million of them as quickly at hand as a dozen.

The newest exchanges are kept as they are. Older ones are packed, a block at a time: an exchange
takes some sixty bytes then instead of some two thousand, and unpacking a block takes about a
millisecond. What a filter asks for is kept beside them, a byte each.
"""

from __future__ import annotations

import pickle
import zlib
from collections import OrderedDict
from collections.abc import Collection, Iterator

from busprobe.model.exchange import Exchange, Outcome

BLOCK = 256
# Five days of a bus that is asked ten times a second; some 300 MB.
LONGEST = 4_500_000
# So many unpacked blocks are kept at hand: more than a screenful, in either direction.
_AT_HAND = 8
_OUTCOMES = tuple(Outcome)


class ExchangeLog:
    """A growing list of exchanges.

    Args:
        longest: How many are kept; then the oldest block goes. Everything is in the recording
            anyway.

    Attributes:
        dropped: How many old ones are gone.
    """

    def __init__(self, longest: int = LONGEST) -> None:
        self.dropped = 0
        self.began_ns: int | None = None
        """When the first request of all began, kept or not, on the link's clock [ns]."""
        self._longest = max(longest, 2 * BLOCK)
        self._packed: list[bytes] = []
        self._newest: list[Exchange] = []
        self._addresses = bytearray()
        self._outcomes = bytearray()
        self._at_hand: OrderedDict[int, list[Exchange]] = OrderedDict()

    def __len__(self) -> int:
        return len(self._addresses)

    def append(self, exchange: Exchange) -> None:
        """Add the newest one."""
        if self.began_ns is None:
            self.began_ns = exchange.request.t_start_ns
        self._newest.append(exchange)
        self._addresses.append(exchange.request.address & 0xFF)
        self._outcomes.append(_OUTCOMES.index(exchange.outcome))
        if len(self._newest) >= 2 * BLOCK:
            block, self._newest = self._newest[:BLOCK], self._newest[BLOCK:]
            self._packed.append(zlib.compress(pickle.dumps(block, pickle.HIGHEST_PROTOCOL), 1))
        if len(self) > self._longest:
            self._packed.pop(0)
            self._at_hand.clear()
            del self._addresses[:BLOCK], self._outcomes[:BLOCK]
            self.dropped += BLOCK

    def __getitem__(self, index: int) -> Exchange:
        """The exchange in this place; a negative index counts from the newest.

        Raises:
            IndexError: There is none.
        """
        count = len(self)
        if index < 0:
            index += count
        if not 0 <= index < count:
            raise IndexError(index)
        packed = len(self._packed) * BLOCK
        if index >= packed:
            return self._newest[index - packed]
        number, place = divmod(index, BLOCK)
        return self._block(number)[place]

    def __iter__(self) -> Iterator[Exchange]:
        for number in range(len(self._packed)):
            yield from self._block(number)
        yield from self._newest

    def numbered(self, number: int) -> int | None:
        """The place of the exchange with this number, None where it is not (or no longer) kept."""
        if not len(self):
            return None
        place = number - self[0].number
        found = 0 <= place < len(self) and self[place].number == number
        return place if found else None

    def passing(
        self, address: int | None, outcomes: Collection[Outcome] | None, start: int = 0
    ) -> list[int]:
        """Places of the exchanges that pass a filter.

        Args:
            address: Only those that asked this address; None for any.
            outcomes: Only these outcomes; None for any.
            start: Where to begin.
        """
        found: Iterator[int] | range = range(start, len(self))
        if address is not None:
            addresses = self._addresses
            found = (i for i in found if addresses[i] == address)
        if outcomes is not None:
            wanted = bytes(outcome in outcomes for outcome in _OUTCOMES)
            made = self._outcomes
            found = (i for i in found if wanted[made[i]])
        return list(found)

    def _block(self, number: int) -> list[Exchange]:
        block = self._at_hand.get(number)
        if block is None:
            packed = zlib.decompress(self._packed[number])
            block = pickle.loads(packed)  # noqa: S301 (packed above, never left this process)
            self._at_hand[number] = block
            if len(self._at_hand) > _AT_HAND:
                self._at_hand.popitem(last=False)
        else:
            self._at_hand.move_to_end(number)
        return block
