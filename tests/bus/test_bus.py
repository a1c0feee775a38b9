"""Exchanges on a simulated line: times, outcomes, and nothing lost."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busprobe.link.line_errors import LineErrors
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.exchange import Exchange, Frame, Outcome, Unframed
from busprobe.model.line import LineSettings
from busprobe.wire import pdu, timing
from busprobe_sim.line.parameters import LineParameters, NodeParameters, PortParameters
from busprobe_sim.physics.receiver import classic
from busprobe_sim.ports.virtual import run_virtual
from simulated_buses import MS, Registers, simulated_bus, station

READ = pdu.read_registers(3, 0, 2)


def ask(bus, address: int = 1, listen_ms: int = 100, linger_ms: int = 0) -> Exchange:
    return run_virtual(
        bus.exchange(address, READ, listen_ns=listen_ms * MS, linger_ns=linger_ms * MS)
    )


def test_a_clean_answer_with_its_times() -> None:
    bus = simulated_bus(station(1))
    exchange = ask(bus)
    assert exchange.outcome is Outcome.ANSWERED
    assert exchange.answer is not None
    assert pdu.registers_of(READ, exchange.answer.pdu) == (0x1234, 0x1234)
    # 9600 8N1: 8 characters of request take 8 x 10 bit / 9600 Bd = 8.333 ms.
    request = exchange.request
    assert request.t_end_ns - request.t_start_ns == pytest.approx(8.333 * MS, rel=1e-3)
    # Its turn-around is 20 ms after a silence of t3.5 (3.646 ms) that a strict device waits for, or
    # from the end of the frame; both are within this window.
    assert exchange.turnaround_ns is not None
    assert 19.9 * MS <= exchange.turnaround_ns <= 24 * MS
    assert exchange.answer.t_end_ns - exchange.answer.t_start_ns == pytest.approx(
        9 * 10 / 9600 * 1e9, rel=1e-3
    )


def test_silence_costs_the_listening_time_and_no_more() -> None:
    bus = simulated_bus(station(1))
    exchange = ask(bus, address=2, listen_ms=150)
    assert exchange.outcome is Outcome.SILENT
    assert exchange.listened_ns == 150 * MS
    assert exchange.turnaround_ns is None


def test_an_exception_proves_a_device() -> None:
    bus = simulated_bus(station(1), servers={0: Registers(functions=(4,))})
    exchange = ask(bus)
    assert exchange.outcome is Outcome.EXCEPTION
    assert exchange.proves_device
    assert exchange.answer is not None
    assert exchange.answer.exception == 1


def test_an_exception_of_a_gateway_proves_no_device() -> None:
    answer = Frame(7, b"\x83\x0b", 0, 0, b"")
    request = Frame(7, READ, 0, 0, b"")
    exchange = Exchange(1, request, Outcome.EXCEPTION, answer, (answer,), False, None, 0, 0, ())
    assert not exchange.proves_device


def test_the_gap_before_a_request_is_t3_5_at_least() -> None:
    bus = simulated_bus(station(1))
    first = ask(bus)
    second = ask(bus)
    assert first.answer is not None
    gap = second.request.t_start_ns - first.answer.t_end_ns
    assert gap >= timing.t3_5_ns(LineSettings())


def test_an_asked_for_gap_is_kept() -> None:
    bus = simulated_bus(station(1))
    first = ask(bus)
    second = run_virtual(bus.exchange(1, READ, listen_ns=100 * MS, gap_ns=70 * MS))
    assert first.answer is not None
    assert second.request.t_start_ns - first.answer.t_end_ns >= 70 * MS


def test_an_echo_is_told_from_an_answer() -> None:
    node = NodeParameters(position_m=0.0, settings=LineSettings(), hears_itself=True)
    bus = simulated_bus(station(1), port=PortParameters(node=node))
    exchange = ask(bus)
    assert exchange.echo
    assert exchange.outcome is Outcome.ANSWERED
    assert exchange.heard.startswith(exchange.request.raw)
    assert len(exchange.pieces) == 1


def test_an_echo_alone_is_silence() -> None:
    node = NodeParameters(position_m=0.0, settings=LineSettings(), hears_itself=True)
    bus = simulated_bus(station(1), port=PortParameters(node=node))
    exchange = ask(bus, address=9)
    assert exchange.echo
    assert exchange.outcome is Outcome.SILENT


def test_a_loop_back_answer_is_no_echo() -> None:
    class LoopBack:
        def respond(self, request: bytes, now_ns: int) -> bytes | None:
            return request

    bus = simulated_bus(station(1), servers={0: LoopBack()})  # type: ignore[dict-item]
    exchange = run_virtual(bus.exchange(1, pdu.loop_back(), listen_ns=100 * MS))
    assert not exchange.echo
    assert exchange.outcome is Outcome.ANSWERED


def test_a_late_answer_is_known_as_one() -> None:
    bus = simulated_bus(station(5, turnaround_ms=130.0), station(6, turnaround_ms=900.0))
    assert ask(bus, address=5, listen_ms=100).outcome is Outcome.SILENT
    exchange = ask(bus, address=6, listen_ms=100)
    assert exchange.outcome is Outcome.LATE
    assert exchange.answer is None
    frames = [p for p in exchange.pieces if isinstance(p, Frame)]
    assert [f.address for f in frames] == [5]


def test_two_answers_are_heard_when_the_bus_lingers() -> None:
    bus = simulated_bus(
        station(1, turnaround_ms=20.0),
        station(1, turnaround_ms=60.0),
        servers={0: Registers(0xAAAA), 1: Registers(0xBBBB)},
    )
    exchange = ask(bus, linger_ms=100)
    assert exchange.outcome is Outcome.CROWDED
    values = [pdu.registers_of(READ, p.pdu) for p in exchange.pieces if isinstance(p, Frame)]
    assert values == [(0xAAAA, 0xAAAA), (0xBBBB, 0xBBBB)]


def test_what_comes_between_exchanges_is_kept() -> None:
    bus = simulated_bus(
        station(1, turnaround_ms=20.0),
        station(1, turnaround_ms=45.0),
        servers={0: Registers(0xAAAA), 1: Registers(0xBBBB)},
    )
    seen: list[Chunk] = []
    bus.on_chunk = seen.append
    ask(bus)
    run_virtual(bus.listen(200 * MS))
    received = b"".join(c.data for c in seen if c.direction is Direction.RECEIVED)
    assert received.count(b"\xaa\xaa\xaa\xaa") == 1
    assert received.count(b"\xbb\xbb\xbb\xbb") == 1


def test_collided_answers_are_damage_with_their_bytes() -> None:
    # Equal drivers close together and a failsafe receiver: no valid frame (computed with an
    # independent UART and line model: 100 % of the trials).
    near = NodeParameters(position_m=10.0, settings=LineSettings())
    far = NodeParameters(position_m=12.0, settings=LineSettings())
    bus = simulated_bus(
        station(1, node=near, turnaround_ms=20.0),
        station(1, node=far, turnaround_ms=20.4),
        servers={0: Registers(0x0F55), 1: Registers(0xB3A1)},
    )
    exchange = ask(bus)
    assert exchange.outcome in (Outcome.DAMAGED, Outcome.CROWDED)
    assert exchange.heard
    joined = b"".join(p.data if isinstance(p, Unframed) else p.raw for p in exchange.pieces)
    assert joined == exchange.heard


@pytest.mark.parametrize("address", [0, 248, 255, -1])
def test_broadcast_and_reserved_addresses_are_never_asked(address: int) -> None:
    bus = simulated_bus(station(1))
    with pytest.raises(ValueError, match="must not be asked"):
        run_virtual(bus.exchange(address, READ, listen_ns=MS))
    assert bus.link.port.line.log == []  # type: ignore[attr-defined]


def test_an_adapter_with_a_latency_timer_loses_nothing() -> None:
    node = NodeParameters(position_m=0.0, settings=LineSettings())
    bus = simulated_bus(station(1), port=PortParameters(node=node, latency_ms=16.0))
    for _ in range(20):
        exchange = ask(bus)
        assert exchange.outcome is Outcome.ANSWERED
        assert exchange.turnaround_ns is not None
        early = exchange.turnaround_ns - exchange.turnaround_uncertainty_ns
        assert early <= 20 * MS <= exchange.turnaround_ns + 4 * MS


def test_the_same_seed_gives_the_same_bytes_and_times() -> None:
    def run() -> list[tuple[int, bytes]]:
        bus = simulated_bus(station(1, loop_ms=5.0), station(1, loop_ms=5.0), seed=7)
        chunks: list[Chunk] = []
        bus.on_chunk = chunks.append
        for _ in range(10):
            ask(bus, linger_ms=30)
        return [(c.t_ns, c.data) for c in chunks]

    assert run() == run()


def test_marks_reach_the_pieces() -> None:
    node = NodeParameters(position_m=0.0, settings=LineSettings())
    other = NodeParameters(
        position_m=10.0, settings=replace(LineSettings(), baud=9600, stop_bits=2)
    )
    bus = simulated_bus(station(1, node=other), port=PortParameters(node=node, reports_marks=True))
    exchange = ask(bus)
    assert exchange.outcome is Outcome.ANSWERED
    received = [c for c in exchange.chunks if c.direction is Direction.RECEIVED]
    assert all(c.marks is not None and len(c.marks) == len(c.data) for c in received)


def test_a_line_that_never_is_quiet_does_not_stop_the_work() -> None:
    line = LineParameters(biases=(), terminators=(), float_rate_hz=200.0, float_hold_ms=1.0)
    node = NodeParameters(position_m=0.0, settings=LineSettings(), comparator=classic())
    bus = simulated_bus(station(1), port=PortParameters(node=node), line=line)
    ask(bus)
    before = bus.now()
    run_virtual(bus.exchange(1, READ, listen_ns=100 * MS, gap_ns=500 * MS))
    assert bus.now() - before < 2_000 * MS


def test_a_line_that_speaks_without_end_does_not_stop_an_exchange() -> None:
    bus = simulated_bus(station(1))
    spoken = 0

    class Speaking(type(bus.link)):
        async def receive(self, until_ns: int) -> Chunk | None:
            nonlocal spoken
            spoken += 1
            if spoken > 10_000:
                raise AssertionError("the exchange never ends")
            at = self._port.now_ns + 2 * MS
            if at > until_ns:
                await super().receive(until_ns)
                return None
            await super().receive(at)
            return Chunk(Direction.RECEIVED, at, b"\x55")

    bus.link.__class__ = Speaking
    exchange = ask(bus)
    assert exchange.outcome is Outcome.DAMAGED
    # Heard for as long as was asked, and a second for what two answers may take.
    assert 1_000 * MS < exchange.listened_ns <= 1_100 * MS
    received = [c for c in exchange.chunks if c.direction is Direction.RECEIVED]
    assert sum(len(c.data) for c in received) == pytest.approx(550, abs=10)


def test_counters_read_twice_at_one_instant_tell_the_same() -> None:
    # A recording tells looks apart by the clock of the bus: what was counted between two looks at
    # one instant belongs to the next.
    bus = simulated_bus(station(1))
    counts = iter(range(10))

    class Counting(type(bus.link)):
        def line_errors(self) -> LineErrors:
            return LineErrors(next(counts), 0, 0, 0)

    bus.link.__class__ = Counting
    told: list[LineErrors] = []
    bus.on_errors = told.append
    assert bus.line_errors() == bus.line_errors() == LineErrors(0, 0, 0, 0)
    run_virtual(bus.listen(MS))
    assert bus.line_errors() == LineErrors(1, 0, 0, 0)
    assert told == [LineErrors(0, 0, 0, 0), LineErrors(1, 0, 0, 0)]
