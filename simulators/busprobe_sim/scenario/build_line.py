"""From the line of a scenario file to the parameters of a simulated line."""

from __future__ import annotations

import struct

from busprobe.model.line import LineSettings
from busprobe_sim.line.parameters import (
    DeviceFraming,
    LineParameters,
    MasterParameters,
    NodeParameters,
    OnOtherRequest,
    PortParameters,
    StationParameters,
)
from busprobe_sim.physics.levels import (
    DRIVER_3V3,
    DRIVER_5V,
    DRIVER_HALF_DEAD,
    DRIVER_WEAK,
    Bias,
    Terminator,
)
from busprobe_sim.physics.receiver import classic, failsafe
from busprobe_sim.physics.uart import AfterFramingError
from busprobe_sim.scenario.schema_base import line_settings
from busprobe_sim.scenario.schema_device import DevicePart
from busprobe_sim.scenario.schema_line import LinePart, MasterPart, TransceiverPart

_DRIVERS = {
    "5V": DRIVER_5V,
    "3V3": DRIVER_3V3,
    "weak": DRIVER_WEAK,
    "half-dead": DRIVER_HALF_DEAD,
}


# 0.66 of the speed of light, usual for twisted pairs (B&B "RS-422 and RS-485 Applications", p. 29).
_WAVE_M_PER_S = 0.66 * 299_792_458.0


def line_parameters(part: LinePart) -> LineParameters:
    """The cable and what disturbs it."""
    ends = (0.0, part.length_m)
    terminators = ends if part.terminators_m is None else part.terminators_m
    return LineParameters(
        loop_ohm_per_m=part.loop_ohm_per_m,
        terminators=tuple(Terminator(position) for position in terminators),
        biases=tuple(
            Bias(bias.position_m, bias.ohm, bias.ohm, swapped=bias.swapped) for bias in part.bias
        ),
        burst_rate_hz=part.noise.bursts_per_s,
        burst_us=part.noise.burst_us,
        burst_v=part.noise.burst_v,
        round_trip_us=2e6 * part.length_m / _WAVE_M_PER_S if part.reflection else 0.0,
        reflection=part.reflection,
    )


def _node(
    part: TransceiverPart, position_m: float, settings: LineSettings, echo: bool = False
) -> NodeParameters:
    receiver = failsafe if part.receiver == "failsafe" else classic
    return NodeParameters(
        position_m=position_m,
        settings=settings,
        driver=_DRIVERS[part.driver],
        comparator=receiver(noise_rms_v=part.noise_rms_v),
        swapped=part.swapped,
        lead_bits=part.lead_bits,
        trail_bits=part.trail_bits,
        on_glitch_bits=part.on_glitch_bits,
        off_glitch_bits=part.off_glitch_bits,
        own_glitch_bits=part.own_glitch_bits,
        clock_error=part.clock_error,
        after_framing_error=AfterFramingError(part.after_framing_error),
        hears_itself=echo,
        stuck=part.stuck,
        dead_driver=part.dead_driver,
        dead_receiver=part.dead_receiver,
        ground_v=part.ground_v,
        ground_ac_v=part.ground_ac_v,
    )


def port_parameters(part: LinePart, settings: LineSettings | None = None) -> PortParameters:
    """The probe's adapter.

    Args:
        part: The line.
        settings: Settings it is opened with; those of the line if left out.
    """
    adapter = part.adapter
    return PortParameters(
        node=_node(
            adapter.transceiver,
            adapter.position_m,
            settings or line_settings(part.settings),
            adapter.echo,
        ),
        latency_ms=adapter.latency_ms,
        packet_bytes=adapter.packet_bytes,
        reports_marks=adapter.marks,
    )


def device_settings(device: DevicePart, line: LinePart) -> LineSettings:
    """Settings that a device talks."""
    return line_settings(device.settings or line.settings)


def station_parameters(device: DevicePart, line: LinePart) -> StationParameters:
    """A device's connection and the habits of its firmware."""
    timing = device.timing
    return StationParameters(
        address=device.address,
        node=_node(device.transceiver, device.position_m, device_settings(device, line)),
        turnaround_ms=timing.turnaround_ms,
        loop_ms=timing.loop_ms,
        framing=DeviceFraming(timing.framing),
        min_gap_ms=timing.min_gap_ms,
        on_other_request=OnOtherRequest(timing.on_other_request),
        listens_first=timing.listens_first,
        drop_rate=timing.drop_rate,
        foreign_answer_rate=timing.foreign_answer_rate,
        cut_first_byte_rate=timing.cut_first_byte_rate,
        cut_last_byte_rate=timing.cut_last_byte_rate,
        late_last_byte_rate=timing.late_last_byte_rate,
        pause_after=timing.pause_after,
        pause_ms=timing.pause_ms,
        keeps_t1_5=timing.keeps_t1_5,
        sync_loss_rate=timing.sync_loss_rate,
        resync_ms=timing.resync_ms,
        never_stops=timing.never_stops,
    )


def master_parameters(part: MasterPart, line: LinePart) -> MasterParameters:
    """A master that polls on its own."""
    return MasterParameters(
        node=_node(
            TransceiverPart(), part.position_m, line_settings(part.settings or line.settings)
        ),
        requests=tuple(
            (r.address, struct.pack(">BHH", r.function, r.register_, r.count))
            for r in part.requests
        ),
        period_ms=1000.0 * part.poll_s,
        timeout_ms=part.timeout_ms,
    )
