"""Odd firmware, as wrappers around a register map or a server; all seen in public threads.

What each is good for: `swapped_words` and `model_length` break decoders, `Looping` and
`chain_end` break chain walks, `Stuck` and `restarted_counters` break plausibility checks,
`hostile_text` breaks faces, `EverySecondRefused` breaks retries.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Literal

from busprobe_sim.meters.base import Server
from busprobe_sim.meters.encoding import text_registers
from busprobe_sim.meters.registers import NoSuchRegister, Patched, Registers
from busprobe_sim.meters.server import READ_HOLDING, READ_INPUT, exception
from busprobe_sim.meters.sunspec import SunSpecRegisters

_WIDE = ("int32", "uint32", "acc32", "float32", "bitfield32", "enum32", "acc64", "int64", "uint64")

ChainEnd = Literal["zero", "exception", "short"]


class SwappedWords:
    """Values of two or more registers come low word first."""

    def __init__(self, inner: Registers, spans: Iterable[range]) -> None:
        self._inner = inner
        self._twin: dict[int, int] = {}
        for span in spans:
            self._twin |= dict(zip(span, reversed(span), strict=True))

    def read(self, address: int, count: int, now_ns: int) -> list[int]:
        """Contents at an instant; see `Registers.read`."""
        self._inner.read(address, count, now_ns)
        return [
            self._inner.read(self._twin.get(place, place), 1, now_ns)[0]
            for place in range(address, address + count)
        ]


def swapped_words(chain: SunSpecRegisters, inner: Registers) -> Registers:
    """Every numeric point of more than one register comes low word first."""
    wide = (p for p in chain.points if p.kind in _WIDE)
    return SwappedWords(inner, (range(p.address, p.address + p.size) for p in wide))


def _constant(value: int) -> Callable[[int, int], int]:
    return lambda _old, _now_ns: value


def model_length(chain: SunSpecRegisters, inner: Registers, model_id: int, by: int) -> Registers:
    """The first model of that number states a length that is wrong by `by`."""
    place = next(address for number, address in chain.heads if number == model_id) + 1
    return Patched(inner, {place: lambda old, _now_ns: old + by})


def chain_end(chain: SunSpecRegisters, inner: Registers, how: ChainEnd) -> Registers:
    """The chain ends with model 0, with exception 02, or with 0xFFFF and no length."""
    if how == "zero":
        return Patched(inner, {chain.end_address: _constant(0)})
    return Truncated(inner, chain.end_address + (1 if how == "short" else 0))


class Truncated:
    """Registers from `end` on do not exist."""

    def __init__(self, inner: Registers, end: int) -> None:
        self._inner = inner
        self._end = end

    def read(self, address: int, count: int, now_ns: int) -> list[int]:
        """Contents at an instant; see `Registers.read`."""
        if address + count > self._end:
            raise NoSuchRegister
        return self._inner.read(address, count, now_ns)


class Looping:
    """Behind the last model the first one follows again, for ever: incomplete address decoding."""

    def __init__(self, chain: SunSpecRegisters, inner: Registers) -> None:
        self._inner = inner
        self._first = chain.base + 2
        self._period = chain.end_address - self._first

    def read(self, address: int, count: int, now_ns: int) -> list[int]:
        """Contents at an instant; see `Registers.read`."""
        if address < self._first:
            head = min(count, self._first - address)
            rest = count - head
            words = self._inner.read(address, head, now_ns)
            return words + (self.read(self._first, rest, now_ns) if rest else [])
        places = ((place - self._first) % self._period for place in range(address, address + count))
        return [self._inner.read(self._first + place, 1, now_ns)[0] for place in places]


def padded(chain: SunSpecRegisters, inner: Registers, value: int) -> Registers:
    """Pad registers hold something (0x5A5A and 0xFFFF were seen)."""
    pads = (p.address for p in chain.points if p.kind == "pad")
    return Patched(inner, {place: _constant(value) for place in pads})


def restarted_counters(chain: SunSpecRegisters, inner: Registers, until_ns: int) -> Registers:
    """Energy counters read 0 until an instant: the device has just started."""

    def silent(old: int, now_ns: int) -> int:
        return 0 if now_ns < until_ns else old

    counters = (p for p in chain.points if p.name.startswith("TotWh") and p.kind != "sunssf")
    places = (q for p in counters for q in range(p.address, p.address + p.size))
    return Patched(inner, dict.fromkeys(places, silent))


def hostile_text(chain: SunSpecRegisters, inner: Registers, point: str, text: bytes) -> Registers:
    """A text of the common model holds anything: terminal escapes, markup, invalid UTF-8."""
    span = chain.point_addresses(point)
    words = text_registers(text, len(span))
    return Patched(inner, {q: _constant(w) for q, w in zip(span, words, strict=True)})


def overwritten(
    chain: SunSpecRegisters, inner: Registers, model_id: int, point: str, content: bytes
) -> Registers:
    """A point holds always the same, whatever it should be: a mark, another scale factor."""
    span = chain.point_addresses(point, model_id)
    words = [int.from_bytes(content[n : n + 2], "big") for n in range(0, len(content), 2)]
    return Patched(inner, {q: _constant(w) for q, w in zip(span, words, strict=True)})


class Hole:
    """Any read that touches certain registers is refused: they are not in the map."""

    def __init__(self, inner: Registers, span: range) -> None:
        self._inner = inner
        self._span = span

    def read(self, address: int, count: int, now_ns: int) -> list[int]:
        """Contents at an instant; see `Registers.read`."""
        if address < self._span.stop and self._span.start < address + count:
            raise NoSuchRegister
        return self._inner.read(address, count, now_ns)


def hole(chain: SunSpecRegisters, inner: Registers, model_id: int, point: str) -> Registers:
    """A point of a model cannot be read."""
    return Hole(inner, chain.point_addresses(point, model_id))


class Stuck:
    """Nothing changes any more after an instant [ns]."""

    def __init__(self, inner: Registers, after_ns: int) -> None:
        self._inner = inner
        self._after_ns = after_ns

    def read(self, address: int, count: int, now_ns: int) -> list[int]:
        """Contents at an instant; see `Registers.read`."""
        return self._inner.read(address, count, min(now_ns, self._after_ns))


class WrongRefusal:
    """What must be refused is refused with another exception code than the standard has."""

    def __init__(self, inner: Server, code: int) -> None:
        self._inner = inner
        self._code = code

    def respond(self, request: bytes, now_ns: int) -> bytes | None:
        """Answer a request PDU; see `Server`."""
        answer = self._inner.respond(request, now_ns)
        if answer is not None and answer[0] & 0x80:
            return exception(request[0], self._code)
        return answer


class EverySecondRefused:
    """Every second read gets an exception (06 busy, as a rule)."""

    def __init__(self, inner: Server, code: int = 0x06) -> None:
        self._inner = inner
        self._code = code
        self._reads = 0

    def respond(self, request: bytes, now_ns: int) -> bytes | None:
        """Answer a request PDU; see `Server`."""
        if request[:1] in (bytes((READ_HOLDING,)), bytes((READ_INPUT,))):
            self._reads += 1
            if self._reads % 2 == 0:
                return exception(request[0], self._code)
        return self._inner.respond(request, now_ns)
