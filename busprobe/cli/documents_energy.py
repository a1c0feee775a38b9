"""The machine-readable result of `balance`."""

from __future__ import annotations

from typing import Literal

from busprobe.cli.documents_base import Part


class BalanceInputPart(Part):
    """One input of a meter."""

    input: str
    phase: str | None
    """Phase of the feed-in meter that answers to it, null where that is open."""
    sign: Literal["right", "reversed", "unknown"]
    ratio: float | None
    """Shown over true power, as one of the usual factors; null where open."""
    estimate: float | None
    """The same as a number, signed, from the regression."""
    uncertainty: float | None
    """Standard error of `estimate`."""
    wrong_phase: bool | None
    """Its CT is on another phase than its voltage lead; null where that stays open."""
    dead: bool
    """It shows nothing, although its phase is fed."""
    probability: float


class CountersPart(Part):
    """Power integrated over time against the counters of the same meter."""

    integrated_wh: float
    counted_wh: float
    """Import minus export [Wh]."""
    uncertainty_wh: float
    agrees: bool | None
    """Null where too little was counted."""


class BalanceMeterPart(Part):
    """One meter of the site."""

    name: str
    address: int | None
    role: Literal["grid", "generator", "hybrid", "battery", "load"]
    sign: Literal["right", "reversed", "unknown"]
    ratio: float | None
    """Shown over true power, null where open; 0 where the feed-in meter answers to none of it."""
    phases: list[str]
    """Phases of the feed-in meter that it feeds; empty where open."""
    probability: float
    """Of sign, ratio and place together."""
    place: Literal[
        "behind-grid-meter",
        "not-in-balance",
        "behind-other-meter",
        "other-source",
        "consumer",
        "unknown",
    ]
    behind: str | None
    """Name of the meter that counts it too, or that answers instead of it."""
    decided: bool
    mean_w: float
    """Mean power as its registers show it [W]."""
    true_w: float | None
    """Mean power it gives to the site (feed-in meter: import), by the verdict [W]."""
    inputs: list[BalanceInputPart]
    counters: CountersPart | None


class BalanceResult(Part):
    """Result of `balance`."""

    verdict: Literal["correct", "fault", "ambiguous", "undecided"]
    probability: float
    meters: list[BalanceMeterPart]
    """The feed-in meter first."""
    residual_w: float | None
    """Import plus generation minus metered consumption, faults put right: what no meter explains
    [W], as a rule the consumption of the house."""
    residual_uncertainty_w: float | None
    """Standard uncertainty [W], meters of class 1."""
    residual_as_wired_w: float | None
    """The same with every meter taken at its word [W]."""
    lowest_residual_w: float | None
    """Lowest mean over 10 s [W]."""
    duration_s: float
    not_identifiable: list[str]
    next_experiment: str | None
