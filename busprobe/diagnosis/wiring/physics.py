"""Phasors of a meter's connection: what each input reads when a known load is switched.

Theory of operation
1. Every conductor has a voltage phasor of length 1 against neutral; rotation +1 is L1, L2, L3.
2. Input k of the meter multiplies the voltage between its lead and its reference terminal with
   the conjugate of the current of its CT: ``S_k = s r (U_lead - U_reference) conj(I_conductor)``.
3. A switched load is a set of conductor currents that sum to zero. A load of power 1 on phase p
   draws ``I_p = U_p`` and returns ``I_N = -U_p``.
So the response of an input to any load is one complex factor, and every wrong wiring is a list of
such factors. No assumption on balance, and none on who feeds in: only steps are looked at.

References:
    "Error Analysis of Common Power Meter Installation Faults on Three-Phase Networks",
    Electronics 2024, 13(8), 1501 (matrix expressions for single faults and pairs).
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import permutations, product

from busprobe.diagnosis.wiring.types import MeterSystem

OPEN = "open"
NEUTRAL = "N"
NONE = "none"

# Share of the loop impedance in the phase conductor, the rest in the neutral, and X/R of a low
# voltage service: IEC 60725 reference impedance 0.24 + j0.15 / 0.16 + j0.10 ohm (from memory).
# Cables have less reactance, overhead lines more.
PHASE_SHARE = 0.6
X_OVER_R = 0.6
X_OVER_RS = (0.2, 0.6, 1.0)


@dataclass(frozen=True, slots=True)
class Leads:
    """Where the voltage leads are.

    Attributes:
        positive: Conductor of each voltage input, or "open".
        reference: Conductor of the common terminal, or "open" (the star point floats).
        kind: "permuted", "neutral-swapped", "lead-open", "doubled" or "neutral-open".
    """

    positive: tuple[str, ...]
    reference: str
    kind: str


@dataclass(frozen=True, slots=True)
class Clamp:
    """Where one CT is: conductor and direction (+1 or -1), or "none" with direction 0."""

    conductor: str
    direction: int


@dataclass(frozen=True, slots=True)
class Network:
    """One metering system: its conductors, inputs and the loads that can be switched.

    Attributes:
        system: Which one.
        inputs: Names of the meter's inputs.
        phases: The live conductors.
        nominal_leads: The right place of each voltage lead.
        reference: The right place of the common terminal.
        nominal_clamps: The right conductor of each CT.
        clamp_places: Conductors a CT may be found on.
        rotation: +1 for L1, L2, L3, -1 for L1, L3, L2.
    """

    system: MeterSystem
    inputs: tuple[str, ...]
    phases: tuple[str, ...]
    nominal_leads: tuple[str, ...]
    reference: str
    nominal_clamps: tuple[str, ...]
    clamp_places: tuple[str, ...]
    rotation: int = 1

    def voltage(self, conductor: str) -> complex:
        """Phasor of a conductor against neutral, length 1 for a live one."""
        if conductor == NEUTRAL:
            return 0j
        if self.system is MeterSystem.SPLIT_PHASE:
            return {"L1": 1 + 0j, "L2": -1 + 0j}[conductor]
        turn = {"L1": 0, "L2": -1, "L3": 1}[conductor]
        return cmath.rect(1.0, math.radians(120.0 * turn * self.rotation))

    def currents(self, load: str) -> dict[str, complex]:
        """Conductor currents of a load of power 1 (one phase, or all of them alike).

        On three wires a load named after phase Lk sits between Lk and the next phase. The load on
        all conductors of a split-phase service is a line-to-line load. A load whose place is not
        known draws nothing that could be weighed.
        """
        if load == "unknown":
            return {}
        if self.system is MeterSystem.THREE_PHASE_THREE_WIRE and load in self.phases:
            other = self.phases[(self.phases.index(load) + 1) % 3]
            return self._line_to_line(load, other)
        if load in self.phases:
            return {load: self.voltage(load), NEUTRAL: -self.voltage(load)}
        if self.system is MeterSystem.SPLIT_PHASE:
            return self._line_to_line("L1", "L2")
        return {phase: self.voltage(phase) / len(self.phases) for phase in self.phases}

    def _line_to_line(self, one: str, other: str) -> dict[str, complex]:
        across = self.voltage(one) - self.voltage(other)
        current = across / abs(across) ** 2
        return {one: current, other: -current}

    def input_voltage(self, leads: Leads, k: int) -> complex:
        """Voltage phasor of input k; 0 where its lead is open."""
        if leads.positive[k] == OPEN:
            return 0j
        return self.voltage(leads.positive[k]) - self._reference_voltage(leads)

    def _reference_voltage(self, leads: Leads) -> complex:
        if leads.reference != OPEN:
            return self.voltage(leads.reference)
        live = [self.voltage(c) for c in leads.positive if c != OPEN]
        return sum(live, 0j) / len(live)

    def factor(self, leads: Leads, k: int, clamp: Clamp, load: str) -> complex:
        """Complex power of input k for a load of power 1 at ratio 1."""
        return _factor(self, leads.positive[k], self._reference_voltage(leads), clamp, load)

    def sag_gain(self, leads: Leads, k: int, conductor: str) -> complex:
        """Gain g of the voltage change ``Re(g a)`` of input k per ohm of loop resistance.

        ``a`` is the current step of a conductor in the frame of its own voltage: real for a
        resistive load.
        """
        across = self.input_voltage(leads, k)
        if abs(across) < 1e-9:
            return 0j
        step = {conductor: self.voltage(conductor), NEUTRAL: -self.voltage(conductor)}
        moved = _drop(step, leads.positive[k]) - _drop(step, leads.reference)
        return moved * (across / abs(across)).conjugate()

    def sag(self, leads: Leads, k: int, load: str, x_over_r: float = X_OVER_R) -> float:
        """Change of the voltage magnitude of input k per ohm of loop resistance.

        In units of (load power / nominal voltage); a load on the input's own phase gives -1 on
        four wires, on another one a small rise, because the neutral moves.
        """
        across = self.input_voltage(leads, k)
        if abs(across) < 1e-9:
            return 0.0
        currents = self.currents(load)
        if leads.reference == OPEN:
            live = [_drop(currents, c, x_over_r) for c in leads.positive if c != OPEN]
            reference = sum(live, 0j) / len(live)
        else:
            reference = _drop(currents, leads.reference, x_over_r)
        moved = _drop(currents, leads.positive[k], x_over_r) - reference
        return (moved * (across / abs(across)).conjugate()).real


def _drop(currents: Mapping[str, complex], conductor: str, x_over_r: float = X_OVER_R) -> complex:
    """Voltage change of a conductor at the meter per ohm of loop resistance."""
    share = 1.0 - PHASE_SHARE if conductor == NEUTRAL else PHASE_SHARE
    return -share * complex(1.0, x_over_r) * currents.get(conductor, 0j)


@lru_cache(maxsize=4096)
def _factor(net: Network, lead: str, reference: complex, clamp: Clamp, load: str) -> complex:
    if clamp.conductor == NONE or lead == OPEN:
        return 0j
    current = net.currents(load).get(clamp.conductor, 0j)
    return (net.voltage(lead) - reference) * current.conjugate() * clamp.direction


@lru_cache(maxsize=16)
def network(system: MeterSystem, rotation: int = 1) -> Network:
    """The network of a metering system."""
    if system is MeterSystem.SINGLE_PHASE:
        return Network(
            system, ("L1",), ("L1",), ("L1",), NEUTRAL, ("L1",), ("L1", NEUTRAL), rotation
        )
    if system is MeterSystem.SPLIT_PHASE:
        both = ("L1", "L2")
        return Network(system, both, both, both, NEUTRAL, both, (*both, NEUTRAL), rotation)
    phases = ("L1", "L2", "L3")
    if system is MeterSystem.THREE_PHASE_THREE_WIRE:
        # Two elements (Aron): their common terminal sits on the phase without a CT.
        ends = ("L1", "L3")
        return Network(system, ends, phases, ends, "L2", ends, phases, rotation)
    return Network(system, phases, phases, phases, NEUTRAL, phases, (*phases, NEUTRAL), rotation)


@lru_cache(maxsize=16)
def lead_states(system: MeterSystem, rotation: int = 1) -> tuple[Leads, ...]:
    """Every way the voltage leads may be connected that is worth telling apart."""
    net = network(system, rotation)
    terminals = (*net.nominal_leads, net.reference)
    if system is MeterSystem.THREE_PHASE_THREE_WIRE:
        return tuple(Leads(p[:2], p[2], "permuted") for p in permutations(terminals))
    right = [Leads(p, NEUTRAL, "permuted") for p in permutations(net.phases)]
    swapped = [
        Leads(
            tuple(NEUTRAL if i == k else c for i, c in enumerate(leads.positive)),
            leads.positive[k],
            "neutral-swapped",
        )
        for leads in right
        for k in range(len(net.inputs))
    ]
    if system is MeterSystem.SINGLE_PHASE:
        return (*right, *swapped)
    opened = [
        Leads(
            tuple(OPEN if i == k else c for i, c in enumerate(leads.positive)),
            NEUTRAL,
            "lead-open",
        )
        for leads in right
        for k in range(len(net.inputs))
    ]
    doubled = [
        Leads(p, NEUTRAL, "doubled")
        for p in product(net.phases, repeat=len(net.inputs))
        if len(set(p)) < len(p)
    ]
    if system is MeterSystem.SPLIT_PHASE:
        return (*right, *swapped, *opened, *doubled)
    floating = [Leads(leads.positive, OPEN, "neutral-open") for leads in right]
    return (*right, *swapped, *opened, *doubled, *floating)


@lru_cache(maxsize=16)
def clamps(system: MeterSystem) -> tuple[Clamp, ...]:
    """Every place and direction of one CT, the last one being "no current at all"."""
    places = network(system).clamp_places
    return (*(Clamp(c, s) for c in places for s in (1, -1)), Clamp(NONE, 0))
