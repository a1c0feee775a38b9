"""How long things take on a serial line, and how long to wait.

Source: Modbus over Serial Line V1.02, section 2.5.1.1 (RTU framing). Frames are parted by a silence
of at least 3.5 characters (t3.5), and hold no gap longer than 1.5 characters (t1.5). Above
19200 bit/s both are fixed, at 1.750 ms and 750 us.

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
FIXED_T1_5_NS = 750_000
FIXED_T3_5_NS = 1_750_000


def t1_5_ns(settings: LineSettings) -> int:
    """Give the longest gap allowed inside a frame [ns]."""
    if settings.baud > FASTEST_SCALED_BAUD:
        return FIXED_T1_5_NS
    return round(1.5 * settings.bits_per_character * settings.bit_ns)


def t3_5_ns(settings: LineSettings) -> int:
    """Give the shortest silence between frames [ns]."""
    if settings.baud > FASTEST_SCALED_BAUD:
        return FIXED_T3_5_NS
    return round(3.5 * settings.bits_per_character * settings.bit_ns)


def wire_time_ns(settings: LineSettings, length: int) -> int:
    """Give the time that so many bytes take back to back [ns]."""
    return settings.duration_ns(length)


def first_byte_wait_ns(settings: LineSettings, request_length: int, turnaround_ns: int) -> int:
    """Tell how long after the start of a request its answer may still begin.

    Args:
        settings: Rate and format.
        request_length: Bytes of the request, CRC included.
        turnaround_ns: Longest turn-around to wait for [ns].

    Returns:
        Request, turn-around and the first character of the answer, which is heard only when it is
        whole [ns].
    """
    return settings.duration_ns(request_length + 1) + turnaround_ns


def exchange_ns(
    settings: LineSettings, request_length: int, response_length: int, turnaround_ns: int
) -> int:
    """Give the time of a whole exchange, from the request to when the next may begin [ns].

    Args:
        settings: Rate and format.
        request_length: Bytes of the request, CRC included.
        response_length: Bytes of the response, CRC included.
        turnaround_ns: From the end of the request to the start of the response [ns].
    """
    characters = settings.duration_ns(request_length + response_length)
    return characters + turnaround_ns + t3_5_ns(settings)


def silence_ns(settings: LineSettings, arrival_uncertainty_ns: int) -> int:
    """Tell after which silence an answer is surely over.

    Args:
        settings: Rate and format.
        arrival_uncertainty_ns: How late a byte may be stamped at worst (adapter, system) [ns].

    Returns:
        t3.5, one character that may be under way, and the lateness [ns].
    """
    return t3_5_ns(settings) + settings.character_ns + arrival_uncertainty_ns
