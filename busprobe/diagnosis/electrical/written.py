"""A line on paper as somebody writes it down: resistors, reads, and the plan made of them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from busprobe.diagnosis.electrical.cycle import DeviceReads
from busprobe.diagnosis.electrical.network import BiasResistors, BusPlan, TerminatorAt
from busprobe.diagnosis.electrical.report import Calculation, calculate
from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings

# MODBUS Application Protocol V1.1b3, section 6.3.
_MOST_REGISTERS = 125
_RESISTOR = re.compile(r"\s*(\d+(?:\.\d+)?)(?:/(\d+(?:\.\d+)?))?(?:@(\d+(?:\.\d+)?))?\s*")
_READ = re.compile(r"\s*(?:(\d+)x)?(\d+(?:\+\d+)*)\s*")
_NOTHING = ("", "none", "0")


@dataclass(frozen=True, slots=True)
class WrittenLine:
    """A line as written down; see `calculate_written`.

    Attributes:
        terminators: As "120,120" or "120@0,120@40"; without a place they sit at the ends in turn.
        bias: Pull-up of each bias network, and pull-down where it differs, as "560", "390/470@0".
        supply_v: Voltage that the bias hangs on [V].
        nodes: Transceivers.
        unit_load: How heavy each is, in loads of 12 kOhm.
        length_m: Of the cable [m].
        loop_ohm_per_m: Both cores [Ohm/m].
        stub_m: Longest stub [m].
        rise_ns: Rise time of a driver [ns].
        reads: A round of polling, as "3x50" or "2x50+10,60"; empty for none.
        turnaround_ms: How long devices take to answer [ms].
        timeout_ms: How long the master waits [ms].
    """

    terminators: str = "120,120"
    bias: str = "none"
    supply_v: float = 5.0
    nodes: int = 2
    unit_load: float = 1.0
    length_m: float = 10.0
    loop_ohm_per_m: float = 0.17
    stub_m: float = 0.0
    rise_ns: float = 100.0
    reads: str = ""
    turnaround_ms: float = 50.0
    timeout_ms: float = 300.0


def calculate_written(line: WrittenLine, settings: LineSettings) -> Calculation:
    """Work out a line as it is written down.

    Raises:
        InputError: Something written makes no sense.
    """
    plan = BusPlan(
        parse_terminators(line.terminators, line.length_m),
        parse_bias(line.bias, line.supply_v),
        nodes=line.nodes,
        unit_load=line.unit_load,
        length_m=line.length_m,
        loop_ohm_per_m=line.loop_ohm_per_m,
        baud=settings.baud,
        stub_m=line.stub_m,
        rise_ns=line.rise_ns,
    )
    reads = parse_reads(line.reads, line.turnaround_ms)
    return calculate(plan, settings, reads, timeout_ms=line.timeout_ms)


def parse_terminators(text: str, length_m: float) -> tuple[TerminatorAt, ...]:
    """Resistors across the pair.

    Args:
        text: As "120,120" or "120@0,120@40" (at so many metres), "none" for none.
        length_m: Of the cable [m]: without a place they sit at its ends in turn.

    Raises:
        InputError: It names no resistors.
    """
    ends = (0.0, length_m)
    return tuple(
        TerminatorAt(ohm, ends[count % 2] if place is None else place)
        for count, (ohm, _, place) in enumerate(_placed(text, "120,120 or 120@0,120@40"))
    )


def parse_bias(text: str, supply_v: float) -> tuple[BiasResistors, ...]:
    """Bias networks.

    Args:
        text: Pull-up, and pull-down where it differs, as "560", "390/470" or "560@0,560@80"; "none"
            for none.
        supply_v: Voltage that they hang on [V].

    Raises:
        InputError: It names no resistors.
    """
    return tuple(
        BiasResistors(up, up if down is None else down, supply_v, place or 0.0)
        for up, down, place in _placed(text, "560, 390/470 or 560@0,560@80")
    )


def parse_reads(text: str, turnaround_ms: float) -> Sequence[DeviceReads]:
    """What the master reads in a round.

    Args:
        text: As "3x50" (three devices, 50 registers each) or "2x50+10,60"; empty for nothing.
        turnaround_ms: How long devices take [ms].

    Raises:
        InputError: It names no reads.
    """
    found: list[DeviceReads] = []
    for part in text.split(",") if text.strip() else []:
        match = _READ.fullmatch(part)
        if match is None:
            raise InputError(f"'{part.strip()}' is no read.", "Write reads as 3x50 or 2x50+10,60.")
        registers = tuple(int(n) for n in match[2].split("+"))
        if not all(1 <= n <= _MOST_REGISTERS for n in registers):
            raise InputError(
                f"A read holds 1 to {_MOST_REGISTERS} registers.",
                "MODBUS Application Protocol V1.1b3, section 6.3; split longer ones with +.",
            )
        found += [DeviceReads(registers, turnaround_ms)] * int(match[1] or 1)
    return found


def _placed(text: str, example: str) -> list[tuple[float, float | None, float | None]]:
    """Resistance, second resistance and place of each part."""
    if text.strip().lower() in _NOTHING:
        return []
    found = []
    for part in text.split(","):
        match = _RESISTOR.fullmatch(part)
        if match is None or not float(match[1]) or (match[2] and not float(match[2])):
            raise InputError(f"'{part.strip()}' is no resistor.", f"Write {example}, or none.")
        found.append(
            (
                float(match[1]),
                float(match[2]) if match[2] else None,
                float(match[3]) if match[3] else None,
            )
        )
    return found
