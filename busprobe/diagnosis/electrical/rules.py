"""Rules of thumb and published formulas for RS-485 lines, each with its source."""

from __future__ import annotations

LIGHT_M_PER_S = 299_792_458.0
# Serial Port Complete, ch. 7, table 6-1: about 1200 m up to 90-100 kbit/s, then 10^8 / rate.
LONGEST_M = 1200.0
_METRE_BITS_PER_S = 1e8
# MODBUS over Serial Line V1.02, section 3.4: 1000 m at 9600 bit/s; a derivation at most 20 m.
MODBUS_LENGTH_M = 1000.0
MODBUS_BAUD = 9600
MODBUS_STUB_M = 20.0


def longest_line_m(baud: int) -> float:
    """Longest cable at a rate [m], by the usual length-rate rule."""
    return min(LONGEST_M, _METRE_BITS_PER_S / baud)


def longest_stub_m(rise_ns: float, velocity: float = 0.78) -> float:
    """Longest stub [m]: its round trip stays below a tenth of the rise time.

    Source: data sheets SN65HVD1x and SN65HVD3x, L = 0.1 * tr * v * c.

    Args:
        rise_ns: Rise time of the driver [ns].
        velocity: Propagation, relative to light in vacuum.
    """
    return 0.1 * rise_ns * 1e-9 * velocity * LIGHT_M_PER_S


def round_trip_us(length_m: float, velocity: float = 0.66) -> float:
    """Time to the far end and back [us]."""
    return 2e6 * length_m / (velocity * LIGHT_M_PER_S)


def reflections_die_us(length_m: float, velocity: float = 0.66) -> float:
    """After so long reflections on an unterminated line no longer matter [us].

    Source: B&B RS-422 and RS-485 Applications, p. 29: three round trips.
    """
    return 3 * round_trip_us(length_m, velocity)


def longest_unterminated_m(baud: int, velocity: float = 0.66) -> float:
    """Longest line whose reflections die within half a bit [m]: it needs no terminators."""
    half_bit_s = 0.5 / baud
    return half_bit_s / 3 * velocity * LIGHT_M_PER_S / 2


def failsafe_resistors(
    supply_v: float, wanted_v: float, line_ohm: float = 120.0
) -> tuple[float, float]:
    """Bias resistor and the terminator beside it [Ohm], as Renesas TB509 rev. 1.01 prints it.

    R_B = (V_S / V_AB + 1) / 0.036, R_T2 = R_B * 120 / (R_B - 60), for 32 unit loads. Nodal
    analysis gives V_AB = V_S / (0.036 * R_B), so that the "+ 1" undershoots; see `idle_line` for
    the voltage.

    Args:
        supply_v: Supply [V].
        wanted_v: Idle voltage aimed at [V].
        line_ohm: Characteristic impedance [Ohm].
    """
    bias = (supply_v / wanted_v + 1) / 0.036
    return bias, bias * line_ohm / (bias - line_ohm / 2)


def terminator_beside_bias(line_ohm: float, bias_ohm: float) -> float:
    """Terminator that gives the wanted resistance together with a bias of two equal resistors.

    Source: Serial Port Complete, ch. 7: R_T = 2 R_des R_b / (2 R_b - R_des).
    """
    return 2 * line_ohm * bias_ohm / (2 * bias_ohm - line_ohm)


def terminator_beside_load(line_ohm: float, load_ohm: float) -> float:
    """Terminator that gives the wanted resistance together with the receivers [Ohm].

    Source: an industrial I/O manual: R_T = Z0 / (1 - Z0 / R_P).
    """
    return line_ohm / (1 - line_ohm / load_ohm)
