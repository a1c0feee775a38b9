"""Letting characters pass, or asking often, must not change what is heard."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.model.chunk import Mark
from busprobe.model.line import LineSettings, Parity
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import NodeParameters, PortParameters
from busprobe_sim.physics.levels import DRIVER_3V3, DRIVER_5V, Driver
from busprobe_sim.physics.receiver import Comparator, classic, failsafe
from busprobe_sim.physics.uart import AfterFramingError
from tests.simulators.line.line_bench import MS, QUIET

# Without noise everything is decided, so that two ways of computing must agree to the bit.
COMPARATORS = [failsafe(noise_rms_v=0.0), classic(noise_rms_v=0.0), classic(0.05, 0.0)]
FORMS = [LineSettings(9600), LineSettings(9600, Parity.EVEN), LineSettings(19200)]

Speech = tuple[int, int, bytes]

speeches = st.lists(
    st.tuples(st.integers(0, 1), st.integers(0, 40 * MS), st.binary(min_size=1, max_size=12)),
    min_size=1,
    max_size=8,
)


def listen(
    spoken: list[Speech],
    *,
    force_bits: bool,
    listener: NodeParameters,
    drivers: tuple[Driver, Driver] = (DRIVER_5V, DRIVER_3V3),
    biased: bool = True,
    steps: tuple[int, ...] = (),
) -> tuple[bytes, list[Mark], list[int]]:
    """Let two talkers speak at given instants and tell what a third adapter hears."""
    parameters = replace(QUIET, force_bits=force_bits)
    if not biased:
        parameters = replace(parameters, biases=())
    line = Line(parameters)
    talkers = [
        line.open_port(PortParameters(NodeParameters(position_m=x, driver=d)))
        for x, d in zip((5.0, 30.0), drivers, strict=True)
    ]
    port = line.open_port(PortParameters(listener, reports_marks=True))
    data, marks, ends = b"", list[Mark](), list[int]()

    def until(t_ns: int) -> None:
        nonlocal data
        while (chunk := port.next_arrival(t_ns)) is not None:
            data += chunk.data
            marks.extend(chunk.marks or ())
            ends.append(chunk.t_ns)

    speaking = sorted((t, who, said) for who, t, said in spoken)
    for t, who, said in sorted([*speaking, *((t, -1, b"") for t in steps)]):
        until(t)
        if who >= 0:
            talkers[who].write(t, said)
    until(200 * MS)
    return data, marks, ends


@settings(max_examples=150, deadline=None)
@given(
    speeches,
    st.sampled_from(COMPARATORS),
    st.sampled_from(FORMS),
    st.sampled_from(list(AfterFramingError)),
    st.booleans(),
    st.booleans(),
)
def test_passing_through_equals_computing_every_bit(
    spoken: list[Speech],
    comparator: Comparator,
    form: LineSettings,
    after: AfterFramingError,
    biased: bool,
    swapped: bool,
) -> None:
    node = NodeParameters(
        position_m=1.0,
        comparator=comparator,
        settings=form,
        after_framing_error=after,
        swapped=swapped,
    )
    passed = listen(spoken, force_bits=False, listener=node, biased=biased)
    computed = listen(spoken, force_bits=True, listener=node, biased=biased)
    assert passed[:2] == computed[:2]


@settings(max_examples=150, deadline=None)
@given(
    speeches,
    st.lists(st.integers(0, 60 * MS), max_size=40),
    st.sampled_from(COMPARATORS),
    st.sampled_from(FORMS),
    st.sampled_from(list(AfterFramingError)),
    st.booleans(),
)
def test_asking_often_equals_asking_once(
    spoken: list[Speech],
    steps: list[int],
    comparator: Comparator,
    form: LineSettings,
    after: AfterFramingError,
    swapped: bool,
) -> None:
    node = NodeParameters(
        position_m=1.0,
        comparator=comparator,
        settings=form,
        after_framing_error=after,
        swapped=swapped,
    )
    once = listen(spoken, force_bits=False, listener=node)
    often = listen(spoken, force_bits=False, listener=node, steps=tuple(steps))
    assert once[:2] == often[:2]
    assert often[2] == sorted(often[2])


@pytest.mark.parametrize("lead_bits", [0.0, 0.5, 11.0, 40.0])
@pytest.mark.parametrize("trail_bits", [0.0, 0.5, 20.0])
def test_lead_and_trail_of_a_driver_do_not_show_on_a_biased_line(
    lead_bits: float, trail_bits: float
) -> None:
    line = Line(QUIET)
    node = NodeParameters(lead_bits=lead_bits, trail_bits=trail_bits)
    talker = line.open_port(PortParameters(node))
    port = line.open_port(PortParameters(NodeParameters(position_m=9.0), reports_marks=True))
    start = talker.write(0, b"\x55\xaa")
    assert start == round(lead_bits * 1e9 / 9600)
    chunk = port.next_arrival(50 * MS)
    assert chunk is not None
    assert (chunk.data, set(chunk.marks or ())) == (b"\x55\xaa", {Mark.GOOD})
    assert chunk.t_ns == pytest.approx(start + 20 * 1e9 / 9600, abs=2)


def test_a_long_talk_of_many_drivers_at_once_is_computed() -> None:
    line = Line(QUIET)
    talkers = [
        line.open_port(PortParameters(NodeParameters(position_m=float(x)))) for x in range(5, 17)
    ]
    port = line.open_port(PortParameters(NodeParameters(), reports_marks=True))
    for n in range(60):
        for talker in talkers:
            talker.write(n * MS, bytes([n]))
    chunks = []
    while (chunk := port.next_arrival(200 * MS)) is not None:
        chunks.append(chunk)
    # Everybody says the same, so it is heard as if one spoke.
    assert b"".join(chunk.data for chunk in chunks) == bytes(range(60))


@pytest.mark.parametrize("low_mv", [-100.0, -60.0, -20.0, -1.0])
@pytest.mark.parametrize("noise_mv", [5.0, 50.0])
def test_a_receiver_without_bias_keeps_its_level_behind_every_frame(
    low_mv: float, noise_mv: float
) -> None:
    # "Without failsafe and bias the output typically keeps the last state" (B&B Electronics, RS-422
    # and RS-485 Applications eBook, p. 33). Whether characters pass or are computed, and whether it
    # is the first frame or a later one, makes no difference.
    comparator = classic((low_mv + 35.0) / 1000, noise_mv / 1000)
    spoken = [(0, 5 * MS + n * 25 * MS, b"\x01\x03\x55") for n in range(6)]
    node = NodeParameters(position_m=1.0, comparator=comparator)
    for force_bits in (False, True):
        data, marks, _ = listen(spoken, force_bits=force_bits, listener=node, biased=False)
        assert data == 6 * b"\x01\x03\x55"
        assert set(marks) == {Mark.GOOD}


def test_noise_is_drawn_where_two_drivers_leave_the_pair_between_the_thresholds() -> None:
    # Equal drivers that contradict each other: about 0 V, and 50 mV of noise decides.
    node = NodeParameters(position_m=17.5, comparator=classic(0.0, 0.050))
    spoken = [(0, 5 * MS, b"\x00" * 8), (1, 5 * MS, b"\xff" * 8)]
    drivers = (DRIVER_5V, DRIVER_5V)
    noisy, _, _ = listen(spoken, force_bits=False, listener=node, drivers=drivers)
    still = replace(node, comparator=classic(0.0, 0.0))
    quiet, _, _ = listen(spoken, force_bits=False, listener=still, drivers=drivers)
    assert noisy != quiet
