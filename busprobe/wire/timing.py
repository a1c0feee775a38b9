"""How long things take on a serial line, and how long to wait.

Source: Modbus over Serial Line V1.02, section 2.5.1.1 (RTU framing). Frames are parted by a silence
of at least 3.5 characters (t3.5); above 19200 bit/s it is fixed, at 1.750 ms. The gap of at most
1.5 characters inside a frame (t1.5) is not held against devices: an adapter that hands bytes over
in portions makes longer ones (common practice, no source).

A character has 11 bits by the specification (section 2.5.1); the common 8N1 has 10, and then the
character times are shorter in proportion.

A time-out that is a constant fails at some rate: at 1200 bit/s the response with 125 registers
alone takes 2.3 s. So the wait is for the *first* byte; what follows is waited for as long as it
flows.
"""

from __future__ import annotations

from busprobe.model.line import LineSettings

# Section 2.5.1.1: "for baud rates greater than 19200 Bps, fixed values".
FASTEST_SCALED_BAUD = 19200
FIXED_T3_5_NS = 1_750_000


def t3_5_ns(settings: LineSettings) -> int:
    """Give the shortest silence between frames [ns]."""
    if settings.baud > FASTEST_SCALED_BAUD:
        return FIXED_T3_5_NS
    return round(3.5 * settings.bits_per_character * settings.bit_ns)


def silence_ns(settings: LineSettings, arrival_uncertainty_ns: int) -> int:
    """Tell after which silence an answer is surely over.

    Args:
        settings: Rate and format.
        arrival_uncertainty_ns: How late a byte may be stamped at worst (adapter, system) [ns].

    Returns:
        t3.5, one character that may be under way, and the lateness [ns].
    """
    return t3_5_ns(settings) + settings.character_ns + arrival_uncertainty_ns
