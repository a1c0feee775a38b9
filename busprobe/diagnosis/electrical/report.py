"""The whole calculation for a line: voltages, what one more resistor does, lengths and polling."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from busprobe.diagnosis.electrical import rules
from busprobe.diagnosis.electrical.cycle import DeviceReads, PollCycle, poll_cycle
from busprobe.diagnosis.electrical.network import (
    MOST_UNIT_LOADS,
    SENSITIVITY_V,
    BiasResistors,
    BusPlan,
    IdleLine,
    TerminatorAt,
    idle_line,
)
from busprobe.model.line import LineSettings

_MOST_TERMINATORS = 2
# A load below this is heavier than the 54 Ohm that drivers are tested with (TIA/EIA-485-A).
_LEAST_LOAD_OHM = 54.0


@dataclass(frozen=True, slots=True)
class Check:
    """One rule held against the plan.

    Attributes:
        name: Short, stable kebab-case name.
        good: Whether the plan keeps it.
        text: Numbers and source.
    """

    name: str
    good: bool
    text: str


@dataclass(frozen=True, slots=True)
class Calculation:
    """The line on paper.

    Attributes:
        idle: As planned.
        one_more_terminator: With another 120 Ohm at the far end.
        one_more_bias: With the same bias once more (560 Ohm at 5 V where there is none).
        checks: Rules held against the plan.
        cycle: A poll cycle, where reads were given.
    """

    idle: IdleLine
    one_more_terminator: IdleLine
    one_more_bias: IdleLine
    checks: tuple[Check, ...]
    cycle: PollCycle | None


def calculate(
    plan: BusPlan,
    settings: LineSettings,
    devices: Sequence[DeviceReads] = (),
    *,
    timeout_ms: float = 300.0,
) -> Calculation:
    """Work out a line."""
    idle = idle_line(plan)
    extra = TerminatorAt(120.0, plan.length_m)
    more = idle_line(replace(plan, terminators=(*plan.terminators, extra)))
    bias = plan.biases[0] if plan.biases else BiasResistors()
    biased = idle_line(replace(plan, biases=(*plan.biases, replace(bias, position_m=0.0))))
    cycle = poll_cycle(settings, devices, timeout_ms=timeout_ms) if devices else None
    return Calculation(idle, more, biased, _checks(plan, idle), cycle)


def _checks(plan: BusPlan, idle: IdleLine) -> tuple[Check, ...]:
    longest = rules.longest_line_m(plan.baud)
    unterminated = rules.longest_unterminated_m(plan.baud, plan.velocity)
    stub = rules.longest_stub_m(plan.rise_ns, plan.velocity)
    ends = len(plan.terminators)
    needs = plan.length_m > unterminated
    found = [
        Check(
            "idle-level",
            idle.held,
            f"The idle line is held at {1e3 * idle.lowest_v:.0f} mV; every receiver within the "
            f"standard reads 1 from {1e3 * SENSITIVITY_V:.0f} mV on (TIA/EIA-485-A). Below that "
            "only failsafe receivers do.",
        ),
        Check(
            "driver-level",
            idle.driven_v >= SENSITIVITY_V,
            f"The weakest legal driver still gives {idle.driven_v:.2f} V at the far end.",
        ),
        Check(
            "driver-load",
            idle.load_ohm >= _LEAST_LOAD_OHM - 0.5,
            f"A driver sees {idle.load_ohm:.1f} Ohm; drivers are specified into 54 Ohm.",
        ),
        Check(
            "unit-loads",
            idle.unit_loads <= MOST_UNIT_LOADS,
            f"{idle.unit_loads:g} of {MOST_UNIT_LOADS:g} unit loads are used.",
        ),
        Check(
            "terminators",
            ends == _MOST_TERMINATORS or (ends < _MOST_TERMINATORS and not needs),
            f"{ends} terminator{'s' if ends != 1 else ''}; "
            + (
                "two belong to a line, one at each end (MODBUS over Serial Line V1.02, section "
                f"3.4.2). Up to {unterminated:.0f} m reflections die within half a bit at this "
                "rate, so that the line works without any."
            ),
        ),
        Check(
            "length",
            plan.length_m <= longest,
            f"{plan.length_m:g} m of at most {longest:.0f} m at {plan.baud} Bd "
            "(length-rate rule, Serial Port Complete, table 6-1).",
        ),
    ]
    if plan.stub_m:
        found.append(
            Check(
                "stubs",
                plan.stub_m <= rules.MODBUS_STUB_M,
                f"The longest stub is {plan.stub_m:g} m; at most {rules.MODBUS_STUB_M:g} m (MODBUS "
                f"over Serial Line V1.02, section 3.4). Without any ringing at all for a rise time "
                f"of {plan.rise_ns:g} ns: {stub:.2f} m.",
            )
        )
    return tuple(found)
