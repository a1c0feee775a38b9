"""Questions and answers of the energy balance."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Role(StrEnum):
    """What a meter of the site is said to measure."""

    GRID = "grid"
    """The feed-in point: everything that comes from the grid or goes there."""
    GENERATOR = "generator"
    """A generator on the AC side."""
    HYBRID = "hybrid"
    """The hybrid inverter's own readings at its AC terminals, battery included."""
    BATTERY = "battery"
    """A battery's own readings."""
    LOAD = "load"
    """A consumer or a group of consumers."""


class Positive(StrEnum):
    """Which way a positive power flows, by the registers of a meter."""

    INTO_SITE = "into-site"
    """A grid meter: import. Any source: it gives power to the site."""
    OUT_OF_SITE = "out-of-site"
    """A grid meter: export. Any source: it draws."""
    UNKNOWN = "unknown"


class Sign(StrEnum):
    """Whether a meter counts the way it should."""

    RIGHT = "right"
    REVERSED = "reversed"
    UNKNOWN = "unknown"


class BalanceVerdict(StrEnum):
    """What the evidence carries."""

    CORRECT = "correct"
    FAULT = "fault"
    AMBIGUOUS = "ambiguous"
    """It does not add up, and several explanations fit."""
    UNDECIDED = "undecided"
    """Not enough evidence yet."""


class Place(StrEnum):
    """Where the power of a meter flows, by what the grid meter did."""

    BEHIND_GRID_METER = "behind-grid-meter"
    """As planned: its power passes the feed-in meter."""
    NOT_IN_BALANCE = "not-in-balance"
    """On the grid's side of the feed-in meter, or the meter measures something else."""
    BEHIND_OTHER_METER = "behind-other-meter"
    """Another meter counts its power already: adding both counts it twice."""
    OTHER_SOURCE = "other-source"
    """It did not follow the source that was commanded: it measures something else."""
    CONSUMER = "consumer"
    """It draws power where a source was announced."""
    UNKNOWN = "unknown"


# What the registers of each role mean, where nothing else is known: a feed-in meter shows import
# positive, a source what it gives. Common practice, no source.
USUAL = {
    Role.GRID: Positive.INTO_SITE,
    Role.GENERATOR: Positive.INTO_SITE,
    Role.HYBRID: Positive.INTO_SITE,
    Role.BATTERY: Positive.UNKNOWN,
    Role.LOAD: Positive.OUT_OF_SITE,
}


@dataclass(frozen=True, slots=True)
class MeterRole:
    """What is known of a meter before the first reading.

    Attributes:
        role: What it is said to measure.
        positive: Which way its positive power flows when it is mounted as it should be. Counters
            in the series tell it better and go first.
        rated_w: Rating of what it measures, all phases [W]; None when unknown.
    """

    role: Role
    positive: Positive = Positive.UNKNOWN
    rated_w: float | None = None

    @classmethod
    def usual(cls, role: Role, rated_w: float | None = None) -> MeterRole:
        """A meter whose registers have the sign that is usual for its role."""
        return cls(role, USUAL[role], rated_w)


@dataclass(frozen=True, slots=True)
class CurtailMark:
    """A source was told to give less, or to give all again; it follows within some seconds.

    Attributes:
        t_s: When [s].
        name: Name of its meter, "" when the series does not say.
        held: Held back (else free again).
    """

    t_s: float
    name: str
    held: bool


@dataclass(frozen=True, slots=True)
class InputBalance:
    """One input of a meter.

    Attributes:
        input: "L1", "L2", "L3", or "total" where there are no powers by phase.
        phase: Phase of the grid meter that answers to it, None where that is open.
        sign: Whether it counts the right way.
        ratio: Shown over true power, None where open; 0 where it shows nothing of its source, or
            its source does not arrive at the feed-in meter.
        angle_deg: Angle between power and current over the series [degree], None without Q, or V
            and I, or without power.
        wrong_phase: Its CT is on another phase than its voltage lead; None where it shows half,
            and nothing tells whether that is the reason.
        dead: It shows nothing, although its phase is fed.
        estimate: Shown over true power as a number, from the regression [1]; None where
            it changed too little to tell.
        uncertainty: Standard error of `estimate` [1].
        probability: Of sign and ratio together.
    """

    input: str
    phase: str | None
    sign: Sign
    ratio: float | None
    angle_deg: float | None
    wrong_phase: bool | None
    dead: bool
    estimate: float | None
    uncertainty: float | None
    probability: float


@dataclass(frozen=True, slots=True)
class CounterCheck:
    """Power integrated over time against the counters of the same meter.

    Attributes:
        integrated_wh: Integral of the power as the registers sign it [Wh].
        counted_wh: Import minus export of the counters over the same time [Wh].
        uncertainty_wh: Of their difference: register steps and sampling [Wh].
        ratio: Counted over integrated, None where too little was counted to say.
        positive: What a positive power means by these counters.
        agrees: Whether both tell the same, None where too little was counted.
    """

    integrated_wh: float
    counted_wh: float
    uncertainty_wh: float
    ratio: float | None
    positive: Positive
    agrees: bool | None


@dataclass(frozen=True, slots=True)
class MeterBalance:
    """What came out for one meter.

    Attributes:
        name: Its name.
        role: The role it was given.
        sign: Whether it counts the way it should.
        ratio: Shown over true power, None where open; as one of a few usual factors.
        phases: Phases of the feed-in meter that it feeds, whichever of its inputs is on which;
            empty where open, or where none answers.
        probability: Of sign, ratio and place together.
        sign_probability: Of the sign alone.
        place: Where its power flows.
        behind: Name of the meter that counts it too, "" where there is none.
        mean_w: Mean power as its registers show it [W].
        true_w: Mean power it gives to the site (a grid meter: import), by the verdict [W]; None
            where that is open.
        decided: Whether `probability` suffices for a verdict.
        inputs: Each input by itself.
        counters: Power against counters, None without counters.
    """

    name: str
    role: Role
    sign: Sign
    ratio: float | None
    phases: tuple[str, ...]
    probability: float
    sign_probability: float
    place: Place
    behind: str
    mean_w: float
    true_w: float | None
    decided: bool
    inputs: tuple[InputBalance, ...] = ()
    counters: CounterCheck | None = None


@dataclass(frozen=True, slots=True)
class BalanceDiagnosis:
    """The whole answer.

    Attributes:
        verdict: What the evidence carries.
        probability: Of the verdict.
        meters: Every meter, the feed-in meter first.
        residual_w: What no meter explains: import plus generation minus metered consumption,
            signs and ratios put right as found, mean over the series [W]. It is the consumption
            of the house that has no meter of its own; None before the first reading.
        residual_uncertainty_w: Its standard uncertainty, meters of class 1 [W].
        residual_as_wired_w: The same with every meter taken at its word [W].
        lowest_residual_w: The lowest mean over 10 s of `residual_w` [W]: below zero beyond the
            uncertainty means that a source is missing or a verdict wrong.
        duration_s: Time that the series spans [s].
        not_identifiable: What this evidence cannot tell, in words.
        next_experiment: What would tell more, or None.
        unmetered_source: Probability that a source feeds in that nobody measures.
    """

    verdict: BalanceVerdict
    probability: float
    meters: tuple[MeterBalance, ...]
    residual_w: float | None
    residual_uncertainty_w: float | None
    residual_as_wired_w: float | None
    lowest_residual_w: float | None
    duration_s: float
    not_identifiable: tuple[str, ...] = ()
    next_experiment: str | None = None
    unmetered_source: float = field(default=0.0)

    def meter(self, name: str) -> MeterBalance:
        """The meter of that name.

        Raises:
            KeyError: No such meter.
        """
        for each in self.meters:
            if each.name == name:
                return each
        raise KeyError(name)
