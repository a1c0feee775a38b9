"""Line times against the table of Modbus over Serial Line V1.02, section 2.5.1.1."""

import minimalmodbus
import pytest

from busprobe.model.line import LineSettings, Parity
from busprobe.wire import timing

# baud, t3.5, request of 8, response of 255 characters [ms]; 11-bit characters. Computed from
# the section; above 19200 the silence is the fixed one it recommends.
TABLE = [
    (1200, 32.08, 73.3, 2337),
    (2400, 16.04, 36.7, 1169),
    (4800, 8.021, 18.3, 584),
    (9600, 4.010, 9.17, 292),
    (19200, 2.005, 4.58, 146),
    (38400, 1.750, 2.29, 73.0),
    (115200, 1.750, 0.76, 24.3),
]


@pytest.mark.parametrize(("parity", "stop_bits"), [(Parity.EVEN, 1), (Parity.NONE, 2)])
@pytest.mark.parametrize(("baud", "t3_5", "request_ms", "response_ms"), TABLE)
def test_table(baud, t3_5, request_ms, response_ms, parity, stop_bits):
    line = LineSettings(baud, parity, stop_bits)
    assert timing.t3_5_ns(line) / 1e6 == pytest.approx(t3_5, rel=1e-3)
    assert line.duration_ns(8) / 1e6 == pytest.approx(request_ms, rel=6e-3)
    assert line.duration_ns(255) / 1e6 == pytest.approx(response_ms, rel=3e-3)


def test_ten_bit_characters_are_shorter():
    # 35 bits of 1/9600 s.
    assert timing.t3_5_ns(LineSettings(9600)) / 1e6 == pytest.approx(3.646, abs=5e-4)


@pytest.mark.parametrize("baud", [1200, 9600, 19200, 38400, 115200])
def test_silence_of_an_independent_library(baud):
    # minimalmodbus reckons 11 bits and the fixed 1.75 ms above 19200.
    theirs_s = minimalmodbus._calculate_minimum_silent_period(baud)
    ours = timing.t3_5_ns(LineSettings(baud, Parity.EVEN, 1))
    assert ours / 1e9 == pytest.approx(theirs_s, rel=1e-3)


def test_silence_allows_for_a_late_adapter():
    line = LineSettings(9600)
    fast = timing.silence_ns(line, 0)
    assert fast == pytest.approx(4.5 * 10 / 9600 * 1e9)
    assert timing.silence_ns(line, 16_000_000) == fast + 16_000_000
