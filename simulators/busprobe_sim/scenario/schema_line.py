"""The line of a scenario file."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from busprobe_sim.scenario.schema_base import (
    Address,
    NotNegative,
    Part,
    Positive,
    Settings,
)

DriverName = Literal["5V", "3V3", "weak", "half-dead"]


class BiasPart(Part):
    """Bias resistors."""

    position_m: NotNegative = 0.0
    """Where they sit [m]."""
    ohm: Positive = 560.0
    """Each of the two resistors [ohm]."""
    swapped: bool = False
    """Whether they pull the wrong way."""


class NoisePart(Part):
    """Bursts of disturbance from outside."""

    bursts_per_s: NotNegative = 0.0
    """Bursts per second."""
    burst_us: tuple[Positive, Positive] = (300.0, 300.0)
    """Shortest and longest burst [us]."""
    burst_v: NotNegative = 12.0
    """Size of the disturbance [V]."""


class TransceiverPart(Part):
    """What connects a device to the pair."""

    driver: DriverName = "5V"
    """Its driver."""
    receiver: Literal["failsafe", "classic"] = "failsafe"
    """Whether its receiver reads an undriven pair as idle, or keeps the last level."""
    noise_rms_v: Annotated[float, Field(ge=0, le=0.5)] = 0.010
    """Noise at its receiver [V rms]."""
    swapped: bool = False
    """Whether A and B are exchanged."""
    lead_bits: Annotated[float, Field(ge=0, le=40)] = 0.5
    """Its driver is on this long before the first start bit [bit]."""
    trail_bits: Annotated[float, Field(ge=-10, le=200)] = 0.5
    """Its driver stays on this long after the last stop bit [bit]; negative cuts the end."""
    on_glitch_bits: Annotated[float, Field(ge=0, le=40)] = 0.0
    """The pair is 0 this long when its driver is switched on, within the lead [bit]."""
    off_glitch_bits: Annotated[float, Field(ge=0, le=40)] = 0.0
    """The pair is 0 this long when its driver is switched off [bit]."""
    own_glitch_bits: Annotated[float, Field(ge=0, le=40)] = 0.0
    """Its own receiver reads 0 this long after its driver was switched off [bit]."""
    clock_error: Annotated[float, Field(ge=-0.1, le=0.1)] = 0.0
    """Relative error of its bit clock."""
    after_framing_error: Literal["edge", "16550"] = "edge"
    """After a low stop bit its UART waits for an edge, or takes the stop bit for a start bit."""
    stuck: Literal[0, 1] | None = None
    """Its driver never lets go and holds this level."""
    dead_driver: bool = False
    """Its driver is never switched on."""
    dead_receiver: bool = False
    """It hears nothing."""
    ground_v: float = 0.0
    """Constant ground difference to the others [V]."""
    ground_ac_v: NotNegative = 0.0
    """Alternating ground difference, peak [V]."""


class AdapterPart(Part):
    """The adapter that the probe is plugged with."""

    position_m: NotNegative = 0.0
    """Where it is clamped to the line [m]."""
    echo: bool = False
    """Whether it hears what it sends."""
    latency_ms: NotNegative = 1.0
    """Latency timer: how long received bytes may be held back [ms]."""
    packet_bytes: Annotated[int, Field(ge=1, le=4096)] = 62
    """So many received bytes are handed over at once, whatever the timer says."""
    transceiver: TransceiverPart = TransceiverPart()
    """How it is connected."""
    marks: bool = False
    """Whether it tells framing and parity errors per character."""


class MasterPart(Part):
    """Another master that polls the line."""

    position_m: NotNegative = 0.0
    """Where it sits [m]."""
    settings: Settings | None = None
    """Its settings; those of the line if left out."""
    poll_s: Positive = 2.0
    """How often it polls [s]."""
    requests: Annotated[tuple[RequestPart, ...], Field(min_length=1)]
    """What it asks, one after the other in every poll."""
    timeout_ms: Positive = 300.0
    """How long it waits for an answer [ms]."""


class RequestPart(Part):
    """One read of a foreign master."""

    address: Address
    """Whom it asks."""
    function: Literal[3, 4] = 3
    """Function code."""
    register_: Annotated[int, Field(ge=0, le=65535, alias="register")]
    """First register, as sent."""
    count: Annotated[int, Field(ge=1, le=125)] = 2
    """Registers."""


class LinePart(Part):
    """The two-wire line."""

    settings: Settings = "9600 8N1"
    """Settings of the probe's side and of all devices that give none."""
    length_m: Positive = 50.0
    """Length of the cable [m]."""
    loop_ohm_per_m: Positive = 0.17
    """Loop resistance, both cores together [ohm/m]."""
    reflection: Annotated[float, Field(ge=0, le=0.95)] = 0.0
    """Share of a wave that comes back from the ends of the cable; 0 leaves reflections out."""
    terminators_m: tuple[NotNegative, ...] | None = None
    """Positions of 120 ohm terminators [m]; both ends if left out."""
    bias: tuple[BiasPart, ...] = (BiasPart(),)
    """Bias networks; an empty list for none."""
    noise: NoisePart = NoisePart()
    """Disturbances."""
    adapter: AdapterPart = AdapterPart()
    """The probe's adapter."""
    foreign_master: MasterPart | None = None
    """Another master."""


MasterPart.model_rebuild()
LinePart.model_rebuild()
