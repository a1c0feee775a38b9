"""Reflections on an unterminated cable, and silences inside a frame."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.model.line import LineSettings, Parity
from busprobe_sim.line.parameters import LineParameters, NodeParameters, PortParameters
from busprobe_sim.line.station import inner_silence_ns
from busprobe_sim.physics.levels import Bias, Terminator
from busprobe_sim.physics.waveform import echoes
from tests.simulators.line.line_bench import MS, answer, ask, heard, make, read, station

SPEED_M_PER_S = 0.66 * 299_792_458.0


def over_an_open_cable(metres: float, baud: int, reflection: float) -> bytes:
    """What a host hears of a read over a cable without terminators."""
    line = LineParameters(
        float_rate_hz=0.0,
        terminators=(),
        biases=(Bias(0.0, 4700.0, 4700.0),),
        round_trip_us=2e6 * metres / SPEED_M_PER_S,
        reflection=reflection,
    )
    settings = LineSettings(baud)
    port = PortParameters(NodeParameters(settings=settings), reports_marks=True)
    _, host, _ = make(station(settings=settings), port=port, line=line)
    return heard(ask(host, read(1, 20)))


@pytest.mark.parametrize(
    ("baud", "metres"), [(9600, 1718), (19200, 859), (38400, 429), (57600, 286), (115200, 143)]
)
def test_a_cable_needs_no_terminators_while_three_round_trips_fit_half_a_bit(
    baud: int, metres: float
) -> None:
    # "RS-422 and RS-485 Applications" (B&B), p. 29: reflections die out in three round trips; the
    # lengths for half a bit computed independently. A strongly ringing cable.
    assert over_an_open_cable(metres, baud, 0.8) == answer(1, 20)
    assert over_an_open_cable(2 * metres, baud, 0.8) != answer(1, 20)


def test_on_domestic_lengths_an_open_end_changes_nothing() -> None:
    # Up to 100 m and 38400 Bd missing terminators are no cause of errors by reflection.
    for baud in (9600, 19200, 38400):
        assert over_an_open_cable(100.0, baud, 0.95) == answer(1, 20)


def test_an_open_end_against_a_usual_driver() -> None:
    # Text-book reflection coefficient (R - Z) / (R + Z) of 43 Ohm on 120 Ohm is 0.47: the first
    # overshoot is 1.47 of the step, the first undershoot 1 - 0.47 ** 2.
    rho = abs(43.0 - 120.0) / (43.0 + 120.0)
    found = echoes(1000.0, rho)
    settled = [sum(found.weights[: k + 1]) for k in range(3)]
    assert settled == pytest.approx([1.47, 0.78, 1.10], abs=0.01)
    assert found.delays_ns[:3] == (1000.0, 2000.0, 3000.0)


@given(st.floats(0.0, 0.95))
def test_an_edge_settles_where_it_would_without_reflections(reflection: float) -> None:
    assert sum(echoes(500.0, reflection).weights) == pytest.approx(1.0)


def test_t1_5_of_the_standard() -> None:
    # Modbus over Serial Line V1.02, section 2.5.1.1: 1.5 characters, 750 us above 19200 Bd.
    assert inner_silence_ns(LineSettings(9600, Parity.EVEN)) == pytest.approx(1.71875 * MS)
    assert inner_silence_ns(LineSettings(19200, Parity.EVEN)) == pytest.approx(0.859375 * MS)
    assert inner_silence_ns(LineSettings(38400)) == 0.75 * MS


@pytest.mark.parametrize(
    ("keeps", "silence_characters", "answers"),
    [(True, 1.4, True), (True, 1.6, False), (False, 1.6, True), (False, 3.4, True),
     (False, 3.6, False), (True, 3.6, False)],
)  # fmt: skip
def test_a_silence_inside_a_request(keeps: bool, silence_characters: float, answers: bool) -> None:
    # Same section: a frame with a silence of more than t1.5 inside is incomplete and discarded.
    _, port, _ = make(station(keeps_t1_5=keeps))
    request, character = read(1), 10 / 9600 * 1e9
    start = port.write(port.now_ns, request[:3])
    port.write(round(start + (3 + silence_characters) * character), request[3:])
    until = start + 100 * MS
    chunks = []
    while (chunk := port.next_arrival(until)) is not None:
        chunks.append(chunk)
    assert heard(chunks) == (answer(1) if answers else b"")


def test_a_terminated_line_is_as_it_was() -> None:
    line = LineParameters(float_rate_hz=0.0, terminators=(Terminator(0.0), Terminator(50.0)))
    _, port, _ = make(station(), line=line)
    assert heard(ask(port, read(1))) == answer(1)
