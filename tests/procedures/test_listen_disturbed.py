"""What listening makes of strays and noise, with somebody who talks and without."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from busprobe.bus.bus import Bus
from busprobe.diagnosis.listening import LineState, TimedPiece, listening_findings
from busprobe.diagnosis.listening.conversation import conversation_of
from busprobe.diagnosis.listening.strays import strays_of
from busprobe.procedures.listen import Listening, listen
from busprobe.wire import pdu, rtu
from busprobe.wire.pairing import Ending, pair
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import (
    LineParameters,
    MasterParameters,
    NodeParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.physics.receiver import classic
from busprobe_sim.ports.virtual import VirtualLink, run_virtual
from tests.simulated_buses import Registers

QUIET = LineParameters(float_rate_hz=0.0)
NOISY = replace(QUIET, burst_rate_hz=20.0, burst_us=(200.0, 2000.0))
FLOATING = LineParameters(biases=(), float_rate_hz=12.0)
READ = pdu.read_registers(3, 40072, 6)


def heard(line: LineParameters, seed: int, asked: tuple[int, ...]) -> Listening:
    """Listen to a line with one device at address 1, and a master if somebody is asked."""
    simulated = Line(line, seed)
    simulated.add_station(StationParameters(1, NodeParameters(10.0)), Registers())
    if asked:
        requests = tuple((address, READ) for address in asked)
        simulated.add_master(MasterParameters(NodeParameters(30.0), requests, 900.0))
    node = NodeParameters(20.0, comparator=classic())
    port = simulated.open_port(PortParameters(node))
    return run_virtual(listen(Bus(VirtualLink(port))))


def told(found: Listening) -> set[tuple[str, int | None]]:
    findings = listening_findings(found.heard, found.conversation, None, found.seconds)
    return {(f.code, f.address) for f in findings}


@pytest.mark.parametrize("seed", range(8))
def test_bursts_alone_are_noise_or_undecided_and_nothing_else(seed: int) -> None:
    found = heard(NOISY, seed, ())
    assert found.heard.state in (LineState.NOISE, LineState.UNDECIDED)
    assert told(found) <= {("noise-heard", None), ("listening-undecided", None)}


def test_most_lines_with_nothing_but_noise_are_told_so() -> None:
    states = [heard(NOISY, seed, ()).heard.state for seed in range(8)]
    assert states.count(LineState.NOISE) >= 6


@pytest.mark.parametrize("seed", range(4))
def test_a_master_is_heard_through_noise(seed: int) -> None:
    found = heard(NOISY, seed, (1,))
    assert found.heard.state is LineState.CONVERSATION
    assert ("foreign-master", None) in told(found)
    assert ("polled-absent", 1) not in told(found)


@pytest.mark.parametrize("seed", range(4))
def test_strays_of_a_floating_line_are_no_answers_of_an_absent_device(seed: int) -> None:
    found = heard(FLOATING, seed, (1, 7))
    assert told(found) >= {("foreign-master", None), ("no-bias", None), ("polled-absent", 7)}
    assert ("overheard-damage", 7) not in told(found)
    assert ("noisy-line", None) not in told(found)
    absent = next(d for d in found.conversation.devices if d.address == 7)
    assert absent.strays > 0
    assert absent.unanswered == absent.requests
    assert absent.errors == 0


def test_what_comes_between_an_answer_and_the_next_request_belongs_to_neither() -> None:
    ask, answer = rtu.encode(1, READ), rtu.encode(1, bytes((3, 12)) + bytes(12))
    pieces = rtu.split(ask + answer + b"\x00\xfe" + ask)
    assert [t.ending for t in pair(pieces)] == [Ending.ANSWERED, Ending.UNANSWERED]
    # After the request it is its own.
    pieces = rtu.split(ask + b"\x00\xfe" + ask + answer)
    assert [t.ending for t in pair(pieces)] == [Ending.DAMAGED, Ending.ANSWERED]


def test_strays_are_counted_apart_from_frames_and_from_damaged_ones() -> None:
    ask = rtu.encode(1, READ)
    rng = random.Random(4)
    ms, at, t, pieces = 1_000_000, 0, 0, []
    # A request, a switching edge just behind it, a stray alone, and the rest of an answer.
    for data, gap_ms in ((ask, 0), (b"\xff", 1), (b"\xf8", 60), (rng.randbytes(17), 80)) * 3:
        t += gap_ms * ms
        role = rtu.split(ask)[0].role if data is ask else None
        end = t + len(data) * ms
        pieces.append(TimedPiece(rtu.Piece(at, data, role), t, end))
        at, t = at + len(data), end
    seen, stray = strays_of(pieces)
    assert (seen.frames, seen.idle, seen.pulses, stray) == (3, 3, 3, b"\xf8")
    assert seen.frame_s == pytest.approx(3 * (8 + 17) * 1e-3)
    assert seen.frame_s + seen.idle_s == pytest.approx((pieces[-1].end_ns - 0) / 1e9)
    (device,) = conversation_of(pieces).devices
    assert (device.requests, device.errors, device.unanswered) == (3, 3, 0)
