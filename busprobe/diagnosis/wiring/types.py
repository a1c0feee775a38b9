"""Questions and answers of the wiring diagnosis."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class MeterSystem(StrEnum):
    """How the meter is connected."""

    THREE_PHASE_FOUR_WIRE = "3p4w"
    SPLIT_PHASE = "split"
    SINGLE_PHASE = "1p"
    THREE_PHASE_THREE_WIRE = "3p3w"


class WiringVerdict(StrEnum):
    """What the evidence carries."""

    CORRECT = "correct"
    FAULT = "fault"
    AMBIGUOUS = "ambiguous"
    """Several explanations fit all the evidence."""
    INCONSISTENT = "inconsistent"
    """What the operator announced cannot be what happened."""
    UNDECIDED = "undecided"
    """Not enough evidence yet."""


@dataclass(frozen=True, slots=True)
class KnownLoad:
    """A load of known power that somebody switches.

    Attributes:
        power_w: Name-plate power at nominal voltage [W].
        tolerance: Relative uncertainty of the power.
        phase: "L1", "L2", "L3", "each" (one after the other), "L1L2L3" (a symmetrical
            three-phase load, on a split-phase service a line-to-line one) or "unknown". On three
            wires "L1" means between L1 and L2, "L2" between L2 and L3, "L3" between L3 and L1.
    """

    power_w: float
    tolerance: float = 0.10
    phase: str = "each"


@dataclass(frozen=True, slots=True)
class CtWiring:
    """One CT: where it is clamped, which way round.

    Attributes:
        input: Current input of the meter, "L1".."L3".
        conductor: "L1", "L2", "L3", "N" or "none" (no current: dead or clamped on nothing).
        direction: "forward", "reversed" or "unknown".
        ratio: Measured over true current, None when unknown.
    """

    input: str
    conductor: str
    direction: str
    ratio: float | None


@dataclass(frozen=True, slots=True)
class VoltageWiring:
    """One voltage input: the conductor its lead is on ("L1".."L3", "N", "open")."""

    input: str
    conductor: str


@dataclass(frozen=True, slots=True)
class Explanation:
    """One wiring that fits, with its probability and what to do about it in words."""

    probability: float
    cts: tuple[CtWiring, ...]
    voltages: tuple[VoltageWiring, ...]
    neutral: str
    remedy: str


@dataclass(frozen=True, slots=True)
class LoadStep:
    """A switching of the known load as the meter saw it.

    Attributes:
        t_s: When [s].
        conductor: The announced (or inferred) phase of the load.
        dp_w: Step of active power per phase, on positive [W].
        dq_var: Step of reactive power per phase [var]; empty where the meter has none.
    """

    t_s: float
    conductor: str
    dp_w: tuple[float, ...]
    dq_var: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class WiringDiagnosis:
    """The whole answer.

    Attributes:
        probability: Of the verdict.
        explanations: All that fit, most probable first; equivalent ones are all listed.
        sign: "import-positive", "export-positive" or "unknown".
        not_identifiable: What this evidence cannot tell, in words.
        next_experiment: What would separate the explanations, or None.
    """

    verdict: WiringVerdict
    probability: float
    explanations: tuple[Explanation, ...]
    sign: str
    not_identifiable: tuple[str, ...]
    next_experiment: str | None
    steps: tuple[LoadStep, ...]
