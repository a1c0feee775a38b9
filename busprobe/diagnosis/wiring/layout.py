"""Which answer each wiring stands for: pure geometry, computed once for each kind of meter.

Many wirings give an input the same answer to a load: a direction and a size. So the answers are
numbered, and every wiring is a list of numbers; only the answers are held against the record.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from busprobe.diagnosis.wiring.physics import NONE, OPEN, X_OVER_RS, Clamp, Leads, Network
from busprobe.diagnosis.wiring.responses import SIZE_STEP
from busprobe.diagnosis.wiring.samples import Index, Real

# Direction of an answer that has none: the current register, where the input has no voltage.
UNDIRECTED = -1

Answer = tuple[tuple[str, int, int], ...]
"""Load, direction and shift in size, in steps of the grid, of everything an input answers to."""


@dataclass(frozen=True, slots=True)
class Geometry:
    """What the layout of answers depends on.

    Attributes:
        net: The system.
        base: Factor of a right wiring's response to the load.
        directions: Directions in a full turn.
        signed_q: Whether reactive power has a sign.
        has_current: For each input, whether it has a current register.
    """

    net: Network
    base: float
    directions: int
    signed_q: bool
    has_current: tuple[bool, ...]

    def answer(self, leads: Leads, k: int, clamp: Clamp, loads: tuple[str, ...]) -> Answer:
        """How input k answers to each of some loads; a load that it does not see is left out."""
        if clamp.conductor == NONE:
            return ()
        out = []
        for load in loads:
            if leads.positive[k] == OPEN:
                # Without voltage there is no power; the current register still answers.
                current = abs(self.net.currents(load).get(clamp.conductor, 0j))
                if self.has_current[k] and current > 1e-9:
                    out.append((load, UNDIRECTED, self._shift(current)))
                continue
            factor = self.net.factor(leads, k, clamp, load)
            if abs(factor) < 1e-9:
                continue
            if not self.signed_q:
                factor = complex(factor.real, abs(factor.imag))
            turn = round(cmath.phase(factor) / (2.0 * math.pi) * self.directions)
            out.append((load, turn % self.directions, self._shift(abs(factor))))
        return tuple(out)

    def _shift(self, size: float) -> int:
        return round(math.log(size / self.base) / SIZE_STEP)


@dataclass(frozen=True, slots=True)
class Layout:
    """Numbered answers.

    Attributes:
        answers: The different answers of each input.
        which: For each input, the number of its answer [kind of leads, clamp].
        kind: Which kind each state of the leads is: leads of one kind are answered alike.
    """

    answers: tuple[tuple[Answer, ...], ...]
    which: tuple[Index, ...]
    kind: Index


@lru_cache(maxsize=512)
def layout(
    geometry: Geometry,
    leads: tuple[Leads, ...],
    clamps: tuple[Clamp, ...],
    loads: tuple[str, ...],
) -> Layout:
    """The answers of every wiring to some loads."""
    inputs = len(geometry.net.inputs)
    answers: list[tuple[Answer, ...]] = []
    numbers = np.empty((len(leads), inputs, len(clamps)), dtype=np.int64)
    for k in range(inputs):
        known: dict[Answer, int] = {}
        for row, state in enumerate(leads):
            for column, clamp in enumerate(clamps):
                answer = geometry.answer(state, k, clamp, loads)
                numbers[row, k, column] = known.setdefault(answer, len(known))
        answers.append(tuple(known))
    kinds, kind = np.unique(numbers.reshape(len(leads), -1), axis=0, return_inverse=True)
    kinds = kinds.reshape(-1, inputs, len(clamps))
    return Layout(
        tuple(answers), tuple(kinds[:, k] for k in range(inputs)), np.asarray(kind).reshape(-1)
    )


@lru_cache(maxsize=128)
def sag_layout(net: Network, leads: tuple[Leads, ...], loads: tuple[str, ...]) -> Real:
    """Voltage change per ohm [input, load, leads, kind of supply]; 0 where a lead is open."""
    out = np.zeros((len(net.inputs), len(loads), len(leads), len(X_OVER_RS)))
    for k, j, row, column in np.ndindex(*out.shape):
        if leads[row].positive[k] != OPEN:
            out[k, j, row, column] = net.sag(leads[row], k, loads[j], X_OVER_RS[column])
    return out


@lru_cache(maxsize=128)
def voltage_layout(
    net: Network, leads: tuple[Leads, ...], pairs: tuple[tuple[int, int], ...]
) -> Real:
    """Expected voltages [leads, inputs and then pairs of inputs], in units of the nominal one.

    NaN where an open lead leaves the voltage between two inputs open.
    """
    out = np.full((len(leads), len(net.inputs) + len(pairs)), np.nan)
    for row, state in enumerate(leads):
        across = [net.input_voltage(state, k) for k in range(len(net.inputs))]
        out[row, : len(across)] = np.abs(across)
        for column, (a, b) in enumerate(pairs, start=len(across)):
            if OPEN not in (state.positive[a], state.positive[b]):
                out[row, column] = abs(across[a] - across[b])
    return out
