"""Settings guessed from bytes, against published vectors and the simulated line."""

from __future__ import annotations

import pytest

from busprobe.diagnosis.settings_guess import (
    FLOATING,
    JABBER,
    Stay,
    of_rates,
    posterior,
    swapped,
)
from busprobe.diagnosis.settings_guess.receiver import received, sent
from busprobe.model.line import LineSettings, Parity
from busprobe_sim.physics.uart import UartTiming
from tests.simulators.line.line_bench import answer, read

REQUEST = bytes.fromhex("01 03 00 00 00 02 C4 0B")
PLAIN = LineSettings(9600)
EVEN = LineSettings(9600, Parity.EVEN)


def shown(line: tuple[tuple[int, bool], ...]) -> str:
    return " ".join(f"{value:02X}{'' if good else '!'}" for value, good in line)


# Computed with an independent UART model (stable under a skew of 1 %): the request above at
# 9600 8N1, heard by faster receivers. "!" is a framing or parity error, or a break.
@pytest.mark.parametrize(
    ("baud", "expected"),
    [
        (19200, "06! 1E! 00! 00! 00! 18! 60! 9E 80"),
        (38400, "78! F8 00! 00! 00! 00! 80 00! 00! 00! F8 78!"),
        (57600, "E0 00! E0" + 8 * " 00!" + " E0 E0 00!"),
        (115200, " ".join(14 * ["00!"])),
    ],
)
def test_receiver_model_gives_the_vectors_of_wrong_rates(baud: int, expected: str) -> None:
    for skew in (-0.01, 0.0, 0.01):
        line = sent([REQUEST], PLAIN, pause_s=0.01, skew=skew)
        assert shown(received(line, LineSettings(baud))) == expected


def test_receiver_model_gives_the_vectors_of_wrong_parity_and_polarity() -> None:
    # Computed with an independent UART model.
    even = sent([REQUEST], EVEN, pause_s=0.01)
    assert shown(received(even, PLAIN)) == "01 03! 00! 00! 00! 02 C4 0B"
    none = sent([REQUEST], PLAIN, pause_s=0.01)
    assert shown(received(none, EVEN)) == "01! 20! 00! 02! DC! F8"
    # The other kind of hardware takes the low stop bit for a start bit.
    other = received(even, PLAIN, stop_is_start=True)
    assert shown(other) == "01 03! 01! 04! 10! 40! 81 C4 0B"
    low = sent([REQUEST], PLAIN, pause_s=0.01, swapped=True, idle=0)
    assert shown(received(low, PLAIN)) == "00! 7F 7E FF FF FB 77! 7A!"
    high = sent([REQUEST], PLAIN, pause_s=0.01, swapped=True, idle=1, lead_bits=1.0)
    assert shown(received(high, PLAIN)).startswith("FD F9 FF FF FF FB 77!")


def test_own_settings_deliver_everything() -> None:
    assert UartTiming(PLAIN).bit_ns == pytest.approx(1e9 / 9600)
    for settings in (PLAIN, EVEN, LineSettings(9600, Parity.ODD, 2)):
        line = sent([bytes(range(256))], settings, pause_s=0.01)
        assert received(line, settings) == tuple((value, True) for value in range(256))


def stay(data: bytes, baud: int = 9600, runs: tuple[int, ...] = (), **more: object) -> Stay:
    fields = {"frames": 0, "framed": 0, "busy": 0.05} | more
    return Stay(LineSettings(baud), data, None, runs or (len(data),), **fields)  # type: ignore[arg-type]


@pytest.mark.parametrize("rx", [19200, 38400, 57600, 115200])
def test_alphabet_of_a_receiver_that_is_too_fast_names_the_rate(rx: int) -> None:
    frames = [read(1, 10, 40072), answer(1, 10, 0x41), read(3, 2), answer(3, 2, 0x10)]
    line = sent(frames, PLAIN, pause_s=0.02)
    data = bytes(value for value, _ in received(line, LineSettings(rx)))
    weights = posterior([stay(data, rx)])
    rates = of_rates(weights)
    assert max(rates, key=lambda b: rates[b]) == 9600 or rx == 115200
    # A receiver 12 times too fast hears breaks only: slower rates fit as well.
    assert rates.get(rx, 0.0) < 0.02


def test_a_field_capture_at_a_wrong_rate() -> None:
    # eModbus #336: only E0 and 00, the alphabet of a receiver six times too fast.
    data = bytes.fromhex("E0 00 E0 E0 00 00 E0 00 00 00 E0 E0 00")
    rates = of_rates(posterior([stay(data, 57600)]))
    assert max(rates, key=lambda b: rates[b]) == 9600
    assert rates[57600] < 1e-3


def test_swapped_wires_are_told_from_a_wrong_rate() -> None:
    line = sent([REQUEST, answer(1)], PLAIN, pause_s=0.02, swapped=True, idle=0)
    data = bytes(value for value, _ in received(line, PLAIN))
    assert swapped(posterior([stay(data)])) > 0.95


def test_lone_pulses_are_a_floating_line_and_endless_bytes_a_jabber() -> None:
    pulses = bytes.fromhex("00 F8 FF 00 FE C0 00 80 FF 00 00 E0")
    assert posterior([stay(pulses, runs=(1,) * 12)])[FLOATING] > 0.95
    endless = bytes((n * 7919 >> 3) & 0xFF for n in range(400))
    assert posterior([stay(endless, busy=0.98)])[JABBER] > 0.95


def test_two_bytes_prove_nothing() -> None:
    weights = posterior([stay(b"\x06\x98")])
    assert max(weights.values()) < 0.9
