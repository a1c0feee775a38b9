"""Everything that can be set about a line and what hangs on it.

The defaults are a healthy domestic line: two terminators, bias, 5 V drivers, failsafe receivers.
Typical values and ranges are engineering assumptions inside the limits of TIA/EIA-485-A and of
MODBUS over Serial Line V1.02 where no source is named.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from busprobe.model.line import LineSettings
from busprobe_sim.physics.levels import Bias, Driver, Terminator
from busprobe_sim.physics.receiver import Comparator
from busprobe_sim.physics.uart import AfterFramingError


@dataclass(frozen=True, slots=True)
class LineParameters:
    """The cable and what disturbs it.

    Attributes:
        loop_ohm_per_m: Loop resistance, both cores [Ohm/m]; 24 AWG 0.17, range 0.08-0.28.
        terminators: Resistors across the pair.
        biases: Bias networks; empty for a floating idle line.
        burst_rate_hz: Noise bursts per second [1/s].
        burst_us: Shortest and longest burst [us].
        burst_v: Size of the disturbance in a burst [V].
        burst_piece_us: The sign of a burst is drawn anew this often [us].
        float_rate_hz: How often an undriven, unbiased pair sags to 0 [1/s]; 0-20.
        float_hold_ms: It keeps its last level for about this long first [ms]; 1-100.
        float_ms: Shortest and longest sag [ms].
        float_v: Depth of the sag [V].
        mains_hz: Frequency of the ground difference [Hz].
        common_mode_limit_v: Ground difference beyond which a receiver freezes [V].
        round_trip_us: A wave runs to the end of the cable and back in this time, 2 L / v [us]; 100
            m at 0.66 c take 1.0. 0 leaves reflections out.
        reflection: Share of a wave that is left after a round trip, and then again of that; an open
            end and a 43 Ohm driver on 120 Ohm cable leave 0.47, a terminated end 0.
        samples_per_bit: Noise samples per bit.
        force_bits: Compute every bit even where nothing can happen to it (slow; for measuring).
    """

    loop_ohm_per_m: float = 0.17
    terminators: tuple[Terminator, ...] = (Terminator(0.0), Terminator(50.0))
    biases: tuple[Bias, ...] = (Bias(0.0),)
    burst_rate_hz: float = 0.0
    burst_us: tuple[float, float] = (300.0, 300.0)
    burst_v: float = 12.0
    burst_piece_us: float = 100.0
    float_rate_hz: float = 5.0
    float_hold_ms: float = 10.0
    float_ms: tuple[float, float] = (0.05, 1.25)
    float_v: float = 0.15
    mains_hz: float = 50.0
    common_mode_limit_v: float = 7.0
    round_trip_us: float = 0.0
    reflection: float = 0.5
    samples_per_bit: int = 16
    force_bits: bool = False


@dataclass(frozen=True, slots=True)
class NodeParameters:
    """Where something is connected, and its transceiver and UART.

    Attributes:
        position_m: Distance from the end of the cable [m].
        settings: Rate and format.
        driver: Its driver.
        comparator: Its receiver.
        unit_load: Load of its receiver [unit loads of 12 kOhm].
        swapped: A and B are swapped at this node.
        lead_bits: The driver is on this long before the first start bit [bit]; 0-40.
        trail_bits: The driver stays on this long after the last stop bit [bit]; negative cuts the
            last character.
        on_glitch_bits: The pair is 0 this long when its driver is switched on, within the lead
            [bit]; 1 makes others hear FF before its bytes, 9 makes them hear 00.
        off_glitch_bits: The pair is 0 this long when its driver is switched off, after the trail
            [bit].
        own_glitch_bits: Its own receiver reads 0 this long after its driver was switched off [bit].
        clock_error: Relative error of its bit clock; 0.002 typical, 0.01 legal.
        after_framing_error: What its UART does after a low stop bit.
        hears_itself: Its receiver stays on while it drives.
        stuck: Its driver is always on and drives this level (0 or 1).
        dead_driver: Its driver is never switched on.
        dead_receiver: It hears nothing.
        ground_v: Constant ground difference to the others [V].
        ground_ac_v: Alternating ground difference [V peak].
    """

    position_m: float = 0.0
    settings: LineSettings = field(default_factory=LineSettings)
    driver: Driver = field(default_factory=Driver)
    comparator: Comparator = field(default_factory=Comparator)
    unit_load: float = 1.0
    swapped: bool = False
    lead_bits: float = 0.5
    trail_bits: float = 0.5
    on_glitch_bits: float = 0.0
    off_glitch_bits: float = 0.0
    own_glitch_bits: float = 0.0
    clock_error: float = 0.0
    after_framing_error: AfterFramingError = AfterFramingError.EDGE
    hears_itself: bool = False
    stuck: int | None = None
    dead_driver: bool = False
    dead_receiver: bool = False
    ground_v: float = 0.0
    ground_ac_v: float = 0.0


@dataclass(frozen=True, slots=True)
class PortParameters:
    """The adapter of a host.

    Attributes:
        node: Where and how it is connected; `hears_itself` gives an echo.
        latency_ms: Period of its delivery timer [ms]; 0 delivers at once, 16 is common for USB.
        packet_bytes: A full packet is delivered at once [byte]; 62 is common for USB.
        reports_marks: The host learns of framing and parity errors and breaks.
    """

    node: NodeParameters = field(default_factory=NodeParameters)
    latency_ms: float = 0.0
    packet_bytes: int = 62
    reports_marks: bool = False


class DeviceFraming(StrEnum):
    """How a device finds the end of a request."""

    STRICT = "strict"
    """By silence of t3.5, as the standard asks; bytes without that gap are one frame."""
    TOLERANT = "tolerant"
    """By its structure: an intact request is understood wherever it begins."""


class OnOtherRequest(StrEnum):
    """What a device does with a reply it owes when it hears another request."""

    SEND = "send"
    ABORT = "abort"


@dataclass(frozen=True, slots=True)
class StationParameters:
    """A device: its connection and the habits of its firmware.

    Attributes:
        address: Its address.
        node: Where and how it is connected.
        turnaround_ms: End of request to start of reply, least [ms]; 2-300.
        loop_ms: The reply comes up to this much later, uniformly (loop time of the firmware) [ms];
            0.1-20.
        framing: How it finds the end of a request.
        min_gap_ms: A request that begins sooner after other traffic is not noticed [ms].
        on_other_request: What becomes of a pending reply when another request is heard.
        listens_first: It cancels its reply when it heard anything since the request.
        drop_rate: Share of requests that it ignores.
        foreign_answer_rate: Share of requests to other addresses that it answers, with its own
            address.
        cut_first_byte_rate: Share of replies that lack the first byte.
        cut_last_byte_rate: Share of replies that lack the last byte.
        late_last_byte_rate: Share of replies whose last byte is held back and leads the next.
        pause_after: The reply pauses after so many bytes [byte]; 0 never.
        pause_ms: Length of that pause [ms].
        keeps_t1_5: A strict device that drops a frame with a silence of more than t1.5 inside, as
            the standard asks; others wait for t3.5 alone.
        sync_loss_rate: Share of frames for others after which it is deaf for a while.
        resync_ms: How long it is deaf then [ms].
        never_stops: It has locked up: it sends bytes of no frame without end, and answers nobody.
    """

    address: int = 1
    node: NodeParameters = field(default_factory=NodeParameters)
    turnaround_ms: float = 20.0
    loop_ms: float = 2.0
    framing: DeviceFraming = DeviceFraming.STRICT
    min_gap_ms: float = 0.0
    on_other_request: OnOtherRequest = OnOtherRequest.SEND
    listens_first: bool = False
    drop_rate: float = 0.0
    foreign_answer_rate: float = 0.0
    cut_first_byte_rate: float = 0.0
    cut_last_byte_rate: float = 0.0
    late_last_byte_rate: float = 0.0
    pause_after: int = 0
    pause_ms: float = 0.0
    keeps_t1_5: bool = False
    sync_loss_rate: float = 0.0
    resync_ms: float = 500.0
    never_stops: bool = False


@dataclass(frozen=True, slots=True)
class MasterParameters:
    """A master that polls on its own, whoever else is on the line.

    Attributes:
        node: Where and how it is connected.
        requests: (address, PDU) of each request of a poll, in order.
        period_ms: Start of a poll to start of the next [ms].
        timeout_ms: End of a request to giving up on its reply [ms].
        gap_ms: End of a reply (or giving up) to the next request [ms].
        first_ms: Start of the first poll [ms].
    """

    node: NodeParameters = field(default_factory=NodeParameters)
    requests: tuple[tuple[int, bytes], ...] = ((1, bytes.fromhex("0300000002")),)
    period_ms: float = 1000.0
    timeout_ms: float = 300.0
    gap_ms: float = 10.0
    first_ms: float = 100.0
