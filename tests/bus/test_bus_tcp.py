"""Exchanges on Modbus TCP against hosts that break every rule, over a link without a network."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

import pytest

from busprobe.bus.bus import Bus
from busprobe.link.base import Framing
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.exchange import Exchange, Outcome, Unframed
from busprobe.model.line import Endpoint, LineSettings, LinkKind
from busprobe.wire import mbap, pdu
from busprobe_sim.ports.virtual import run_virtual

MS = 1_000_000
READ = pdu.read_registers(3, 0, 2)
ANSWER = bytes((3, 4, 0, 1, 0, 2))

Reply = Callable[[int, int], list[tuple[int, bytes]]]


class ScriptedHost:
    """A link in virtual time to a host that follows a script.

    The script maps (transaction, unit) to what comes back: delay [ms] and bytes.
    """

    framing = Framing.MBAP
    settings: LineSettings | None = None
    arrival_uncertainty_ns = MS
    endpoint = Endpoint("tcp://host", LinkKind.TCP, "host", 502)

    def __init__(self, script: Reply) -> None:
        self._script = script
        self._now = 0
        self._coming: deque[tuple[int, bytes]] = deque()

    def now(self) -> int:
        return self._now

    async def send(self, data: bytes) -> Chunk:
        for delay_ms, reply in self._script(int.from_bytes(data[:2], "big"), data[6]):
            self._coming.append((self._now + delay_ms * MS, reply))
        return Chunk(Direction.SENT, self._now, data)

    async def receive(self, until_ns: int) -> Chunk | None:
        if self._coming and self._coming[0][0] <= until_ns:
            t, data = self._coming.popleft()
            self._now = max(self._now, t)
            return Chunk(Direction.RECEIVED, self._now, data)
        self._now = max(self._now, until_ns)
        return None

    async def configure(self, settings: LineSettings) -> None:
        raise AssertionError("Modbus TCP has no line settings")

    async def close(self) -> None:
        self._coming.clear()


def ask(script: Reply, unit: int = 1) -> Exchange:
    bus = Bus(ScriptedHost(script))
    return run_virtual(bus.exchange(unit, READ, listen_ns=500 * MS))


def test_a_right_answer_ends_the_exchange_at_once() -> None:
    exchange = ask(lambda t, u: [(20, mbap.encode(t, u, ANSWER))])
    assert exchange.outcome is Outcome.ANSWERED
    assert exchange.listened_ns == 20 * MS
    assert exchange.turnaround_ns == 20 * MS


@pytest.mark.parametrize("cut", range(1, 12))
def test_an_answer_in_two_segments_is_put_together(cut: int) -> None:
    # Modbus Messaging on TCP/IP V1.0b, section 4.3.2: receivers must reassemble.
    def script(t: int, u: int) -> list[tuple[int, bytes]]:
        adu = mbap.encode(t, u, ANSWER)
        return [(10, adu[:cut]), (30, adu[cut:])]

    assert ask(script).outcome is Outcome.ANSWERED


def test_one_byte_at_a_time_is_put_together() -> None:
    def script(t: int, u: int) -> list[tuple[int, bytes]]:
        return [(10 * n, bytes((b,))) for n, b in enumerate(mbap.encode(t, u, ANSWER), 1)]

    assert ask(script).outcome is Outcome.ANSWERED


def test_a_wrong_transaction_id_is_no_answer() -> None:
    exchange = ask(lambda t, u: [(20, mbap.encode((t + 7) % 0xFFFF, u, ANSWER))])
    assert exchange.answer is None
    assert exchange.outcome is not Outcome.ANSWERED


def test_the_wait_goes_on_after_a_wrong_transaction_id() -> None:
    exchange = ask(
        lambda t, u: [
            (20, mbap.encode(t + 7, u, bytes((3, 4, 9, 9, 9, 9)))),
            (60, mbap.encode(t, u, ANSWER)),
        ]
    )
    assert exchange.outcome is Outcome.ANSWERED
    assert exchange.answer is not None
    assert exchange.answer.pdu == ANSWER


def test_a_late_answer_to_an_earlier_request_is_known_as_one() -> None:
    bus = Bus(ScriptedHost(lambda t, u: [(700, mbap.encode(t, u, ANSWER))]))
    first = run_virtual(bus.exchange(1, READ, listen_ns=500 * MS))
    second = run_virtual(bus.exchange(2, READ, listen_ns=400 * MS))
    assert first.outcome is Outcome.SILENT
    assert second.outcome is Outcome.LATE
    assert second.answer is None


@pytest.mark.parametrize(
    "garbage",
    [
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        bytes(300),
        b"\xff" * 64,
        bytes.fromhex("0001 0000 ffff 01 03"),
        bytes.fromhex("0001 0007 0006 01 03 04 00 01 00"),
        bytes.fromhex("0001 0000 0000 01"),
    ],
)
def test_garbage_is_kept_as_evidence_and_is_no_answer(garbage: bytes) -> None:
    exchange = ask(lambda t, u: [(20, garbage)])
    assert exchange.answer is None
    assert exchange.outcome in (Outcome.DAMAGED, Outcome.SILENT, Outcome.MISADDRESSED)
    assert exchange.heard == garbage


def test_an_answer_after_garbage_is_found() -> None:
    exchange = ask(
        lambda t, u: [
            (20, bytes.fromhex("0001 0007 0006 01 03 04 00 01 00")),
            (40, mbap.encode(t, u, ANSWER)),
        ]
    )
    assert exchange.answer is not None


def test_a_host_that_accepts_and_never_answers_costs_the_listening_time() -> None:
    exchange = ask(lambda t, u: [])
    assert exchange.outcome is Outcome.SILENT
    assert exchange.listened_ns == 500 * MS


def test_a_gateway_exception_proves_no_device() -> None:
    exchange = ask(lambda t, u: [(20, mbap.encode(t, u, b"\x83\x0b"))])
    assert exchange.outcome is Outcome.EXCEPTION
    assert not exchange.proves_device


def test_a_unit_id_that_differs_is_no_answer() -> None:
    exchange = ask(lambda t, u: [(20, mbap.encode(t, 9, ANSWER))])
    assert exchange.answer is None
    assert not any(isinstance(p, Unframed) for p in exchange.pieces)


@pytest.mark.parametrize("unit", [-1, 256])
def test_what_is_no_unit_id_is_never_asked(unit: int) -> None:
    with pytest.raises(ValueError, match="not a unit id"):
        ask(lambda t, u: [], unit)
