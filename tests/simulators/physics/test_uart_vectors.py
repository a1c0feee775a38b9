"""Characters through the sampling receiver, byte for byte and mark for mark.

Vectors computed with an independent UART model (same rules, written separately) unless said
otherwise. Notation: ``7F`` good, ``!F`` framing error, ``!P`` parity error, ``!B`` break.
"""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.model.chunk import Mark
from busprobe.model.line import LineSettings, Parity
from busprobe_sim.physics.uart import (
    AfterFramingError,
    Character,
    Resume,
    UartTiming,
    receive,
    transmit,
)

EDGE, RESTART = AfterFramingError.EDGE, AfterFramingError.RESTART
REQUEST = bytes.fromhex("01 03 00 00 00 02 C4 0B")
REPLY = bytes.fromhex("01 03 04 43 66 80 00 6E 68")
_SIGNS = {
    Mark.GOOD: "",
    Mark.FRAMING: "!F",
    Mark.PARITY: "!P",
    Mark.FRAMING_PARITY: "!F!P",
    Mark.BREAK: "!B",
}


def settings(text: str) -> LineSettings:
    rate, form = text.split()
    return LineSettings(int(rate), Parity(form[1]), int(form[2]))


def shown(characters: Iterable[Character]) -> str:
    return " ".join(f"{c.value:02X}{_SIGNS[c.mark]}" for c in characters)


def through(
    data: bytes,
    sender: str,
    receiver: str,
    after: AfterFramingError = EDGE,
    clock_error: float = 0.0,
) -> str:
    """Send on an idle line and show what the receiver delivers."""
    form = settings(sender)
    edges, _ = transmit(data, form, 0.0, form.bit_ns)
    timing = UartTiming(settings(receiver), clock_error, after)
    characters, _ = receive(edges.tolist(), Resume(-1e6), 1e9, timing)
    return shown(characters)


@pytest.mark.parametrize("clock_error", [-0.01, 0.0, 0.01])
@pytest.mark.parametrize(
    ("receiver", "expected"),
    [
        ("19200 8N1", "06!F 1E!F 00!B 00!B 00!B 18!F 60!F 9E 80"),
        ("38400 8N1", "78!F F8 00!B 00!B 00!B 00!B 80 00!B 00!B 00!B F8 78!F"),
        ("57600 8N1", "E0 00!B E0" + 8 * " 00!B" + " E0 E0 00!B"),
        ("115200 8N1", " ".join(14 * ["00!B"])),
    ],
)
def test_receiver_too_fast(receiver: str, expected: str, clock_error: float) -> None:
    assert through(REQUEST, "9600 8N1", receiver, clock_error=clock_error) == expected


@pytest.mark.parametrize(
    ("receiver", "bits_longer", "expected"),
    [
        # A slower receiver samples on the sender's edges: the skew decides. It is stated as the
        # change of the receiver's bit time.
        ("4800 8N1", -0.01, "20!F 00!B 20!F 68!F"),
        ("4800 8N1", +0.01, "8C!F 08 A8 FE"),
        ("2400 8N1", +0.01, "00!B 80!F"),
        ("2400 8N1", -0.01, "0A 42!F"),
        ("1200 8N1", +0.01, "A1!F"),
        ("1200 8N1", -0.01, "C3!F"),
    ],
)
def test_receiver_too_slow(receiver: str, bits_longer: float, expected: str) -> None:
    heard = through(REQUEST, "9600 8N1", receiver, clock_error=1.0 / (1.0 + bits_longer) - 1.0)
    assert heard == expected


@pytest.mark.parametrize(
    ("sender", "receiver", "after", "expected"),
    [
        ("9600 8E1", "9600 8N1", EDGE, "01 03!F 00!B 00!B 00!B 02 C4 0B"),
        ("9600 8E1", "9600 8N1", RESTART, "01 03!F 01!F 04!F 10!F 40!F 81 C4 0B"),
        ("9600 8N1", "9600 8E1", EDGE, "01!F 20!F!P 00!F!P 02!F DC!P F8"),
        (
            "9600 8N1",
            "9600 8E1",
            RESTART,
            "01!F 03!F!P 00!F!P 00!F!P 00!F!P 02!F C4!F 0B",
        ),
        ("9600 8N2", "9600 8E1", EDGE, "01 03!P 00!P 00!P 00!P 02 C4 0B"),
        ("9600 8O1", "9600 8E1", EDGE, "01!P 03!P 00!P 00!P 00!P 02!P C4!P 0B!P"),
        ("9600 8N2", "9600 8N1", EDGE, "01 03 00 00 00 02 C4 0B"),
        ("9600 8N1", "9600 8N2", EDGE, "01 03 00 00 00 02 C4 0B"),
        ("9600 8E2", "9600 8E1", EDGE, "01 03 00 00 00 02 C4 0B"),
        ("9600 8E1", "9600 8E2", EDGE, "01 03 00 00 00 02 C4 0B"),
    ],
)
def test_wrong_format(sender: str, receiver: str, after: AfterFramingError, expected: str) -> None:
    assert through(REQUEST, sender, receiver, after) == expected


def swapped(data: bytes, form: str, after: AfterFramingError, lead_bits: float | None) -> str:
    """Hear through swapped wires; without a lead the idle line is held low at this receiver."""
    sent = settings(form)
    edges, _ = transmit(data, sent, 0.0, sent.bit_ns)
    timing = UartTiming(sent, 0.0, after)
    end = len(data) * sent.bits_per_character * sent.bit_ns
    if lead_bits is None:
        # Low before, low after: the break at opening is over long since.
        characters, _ = receive(edges.tolist(), Resume(-1e6, 0), 1e9, timing)
    else:
        # Idle reads 1 here; the driven idle 1 reads 0 from the lead on and until the driver is
        # switched off, taken to be as long after the end as the lead before the start.
        lead = lead_bits * sent.bit_ns
        instants = [-lead, *edges.tolist(), end + lead]
        characters, _ = receive(instants, Resume(-1e6, 1), 1e9, timing)
    return shown(characters)


@pytest.mark.parametrize(
    ("data", "form", "after", "lead_bits", "expected"),
    [
        (REQUEST, "9600 8N1", EDGE, None, "7F 7E FF FF FB 77!F 7A!F"),
        (REQUEST, "9600 8N1", RESTART, None, "7F 7E FF FF FB 77!F D2 00!B"),
        (REQUEST, "9600 8N1", EDGE, 1.0, "FD F9 FF FF FF FB 77!F 7A!F"),
        (REQUEST, "9600 8E1", EDGE, None, "7F!P FE!P FF!P FF!P FB!F 87!F 0F!F"),
        (REPLY, "9600 8N1", EDGE, None, "7F 7E 5F!F CD!F FF!F 23 2F 00!B"),
    ],
)
def test_swapped_wires(
    data: bytes, form: str, after: AfterFramingError, lead_bits: float | None, expected: str
) -> None:
    assert swapped(data, form, after, lead_bits) == expected


def test_swapped_wires_with_a_long_lead_begin_with_a_break() -> None:
    assert swapped(REQUEST, "9600 8N1", EDGE, 11.0).startswith("00!B 7F 7E")


# Reply of a device whose master still drives a 1 for h bit times into it. The first row is what a
# user captured in the field ("C5 30 00 01 48 F3", esphome_modbus_bridge #23; 9600 8E1), the others
# are computed with an independent UART model.
OVERLAPPED = bytes.fromhex("15 04 02 00 01 48 F3")


@pytest.mark.parametrize(
    ("held", "expected"),
    [
        ((0.0, 0.2, 0.45), "15 04 02 00 01 48 F3"),
        ((0.55, 1.0, 1.5, 2.0, 2.45), "C5!F 30!F!P 00 01 48 F3"),
        ((2.55, 3.5, 4.45), "31!P 30!F!P 00 01 48 F3"),
        ((4.55, 5.5, 6.45), "8C!F!P 02 00 01 48 F3"),
        ((6.55, 7.45), "46!F!P 02 00 01 48 F3"),
        ((7.55, 8.45), "23!F!P 02 00 01 48 F3"),
        ((8.55, 10.0, 11.45), "04 02 00 01 48 F3"),
    ],
)
def test_driver_released_too_late(held: tuple[float, ...], expected: str) -> None:
    form = settings("9600 8E1")
    edges, levels = transmit(OVERLAPPED, form, 0.0, form.bit_ns)
    for bits in held:
        release = bits * form.bit_ns
        level_then = int(levels[edges <= release][-1])
        kept = [t for t in edges.tolist() if t > release]
        instants = kept if level_then else [release, *kept]
        characters, _ = receive(instants, Resume(-1e6), 1e9, UartTiming(form))
        assert shown(characters) == expected, bits


@pytest.mark.parametrize(
    ("cut_bits", "expected"),
    [(0, ""), (1, "FF"), (2, "FF"), (3, "FF"), (4, "FB"), (5, "F3"), (9, "F3")],
)
def test_driver_released_too_early(cut_bits: int, expected: str) -> None:
    # From the cut on the line is 1; shown is the last character, F3 in 8E1.
    form = settings("9600 8E1")
    edges, levels = transmit(b"\xf3", form, 0.0, form.bit_ns)
    cut = cut_bits * form.bit_ns
    kept = [t for t in edges.tolist() if t < cut]
    low_at_cut = bool(kept) and int(levels[len(kept) - 1]) == 0
    characters, _ = receive(kept + [cut] * low_at_cut, Resume(-1e6), 1e9, UartTiming(form))
    assert "".join(f"{c.value:02X}" for c in characters) == expected


_WIDTHS = (0.3, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 25.0)


@pytest.mark.parametrize(
    ("form", "row"),
    [
        ("9600 8N1", ["", "FF", "FE", "FC", "F8", "F0", "E0", "C0", "80", "00", "00!B", "00!B"]),
        (
            "9600 8E1",
            ["", "FF!P", "FE", "FC!P", "F8", "F0!P", "E0", "C0!P", "80", "00!P", "00", "00!B"],
        ),
    ],
)
def test_one_low_pulse(form: str, row: list[str]) -> None:
    bit = settings(form).bit_ns
    for width, expected in zip(_WIDTHS, row, strict=True):
        for shift in (-0.4, 0.0, 0.4) if width > 1 else (0.0,):
            edges = [0.0, (width + shift) * bit]
            characters, _ = receive(edges, Resume(-1e6), 1e9, UartTiming(settings(form)))
            assert shown(characters) == expected, (width, shift)


@pytest.mark.parametrize(
    ("form", "follows", "fails"), [("9600 8N1", 0.050, 0.055), ("9600 8E1", 0.045, 0.050)]
)
def test_clock_error_at_which_it_fails(form: str, follows: float, fails: float) -> None:
    data = bytes(range(256))
    clean = " ".join(f"{value:02X}" for value in data)
    for sign in (-1, 1):
        # The error is that of the receiver's bit time.
        follow = through(data, form, form, clock_error=1 / (1 + sign * follows) - 1)
        fail = through(data, form, form, clock_error=1 / (1 + sign * fails) - 1)
        assert follow == clean
        assert fail != clean


@given(
    st.binary(min_size=1, max_size=40),
    st.sampled_from(["1200 8N1", "9600 8E1", "19200 8O1", "115200 8N2"]),
    st.floats(-0.02, 0.02),
)
def test_equal_settings_lose_nothing(data: bytes, form: str, clock_error: float) -> None:
    heard = through(data, form, form, clock_error=clock_error)
    assert heard == " ".join(f"{value:02X}" for value in data)


@given(st.binary(min_size=1, max_size=12), st.lists(st.floats(0, 14), max_size=6), st.booleans())
def test_looking_in_steps_hears_the_same(data: bytes, cuts: list[float], restart: bool) -> None:
    # Whoever asks early and often must not hear anything else than who asks once, at the wrong
    # settings too.
    form = settings("9600 8E1")
    timing = UartTiming(settings("9600 8N1"), 0.0, RESTART if restart else EDGE)
    edges = transmit(data, form, 0.0, form.bit_ns)[0].tolist()
    whole, _ = receive(edges, Resume(-1e6), 1e9, timing)
    stepwise: list[Character] = []
    state = Resume(-1e6)
    for until in [*sorted(t * timing.character_ns for t in cuts), 1e9]:
        if until <= state.t_ns:
            continue
        before = [t for t in edges if t < state.t_ns]
        assert len(before) % 2 == (state.level == 0)
        coming = [t for t in edges if state.t_ns <= t < until]
        characters, state = receive(coming, state, until, timing)
        stepwise += characters
    assert [(c.value, c.mark, c.t_start_ns) for c in stepwise] == [
        (c.value, c.mark, c.t_start_ns) for c in whole
    ]
