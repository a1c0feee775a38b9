"""Lines with one fault or several, drawn over the parameters of the simulated line."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from busprobe.bus.bus import Bus
from busprobe.model.line import LineSettings, Parity
from busprobe.wire import pdu
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import (
    LineParameters,
    MasterParameters,
    NodeParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.physics.levels import Bias, Driver, Terminator
from busprobe_sim.physics.receiver import classic, failsafe
from busprobe_sim.ports.virtual import VirtualLink


@dataclass
class Varied:
    """A register server whose contents vary over the map, as a meter's do, and change slowly."""

    seed: int
    functions: tuple[int, ...] = (3, 4)
    highest: int = 0xFFFF

    def respond(self, request: bytes, now_ns: int) -> bytes | None:
        function = request[0]
        if function not in self.functions:
            return bytes((function | 0x80, 1))
        start = int.from_bytes(request[1:3], "big")
        count = int.from_bytes(request[3:5], "big")
        if not 1 <= count <= 125:
            return bytes((function | 0x80, 3))
        if start + count - 1 > self.highest:
            return bytes((function | 0x80, 2))
        second = now_ns // 1_000_000_000
        registers = (
            ((r * 2_654_435_761 + self.seed * 97 + (second if r % 5 == 0 else 0)) >> 7) & 0xFFFF
            for r in range(start, start + count)
        )
        return bytes((function, 2 * count)) + b"".join(r.to_bytes(2, "big") for r in registers)


@dataclass
class Gateway:
    """Passes requests on to another line, on which the device answers now and then only.

    Exception 0B: gateway target device failed to respond (MODBUS Application Protocol V1.1b3,
    section 7).
    """

    behind: Varied
    unreached: float
    rng: random.Random

    def respond(self, request: bytes, now_ns: int) -> bytes | None:
        if self.rng.random() < self.unreached:
            return bytes((request[0] | 0x80, 0x0B))
        return self.behind.respond(request, now_ns)


@dataclass
class Drawn:
    """A line before it is built.

    Attributes:
        rng: Its chance.
        settings: Of everybody.
        line: Parameters of the line.
        port: The tool's adapter.
        stations: Devices.
        masters: Foreign masters.
        unreached: Share of requests that a gateway answers in place of the device behind it, by
            number of the station.
        truth: Codes of what is wrong, with the address, or None.
    """

    rng: random.Random
    settings: LineSettings
    line: LineParameters
    port: PortParameters
    stations: list[StationParameters]
    masters: list[MasterParameters] = field(default_factory=list)
    unreached: dict[int, float] = field(default_factory=dict)
    truth: set[tuple[str, int | None]] = field(default_factory=set)

    def build(self, seed: int) -> Bus:
        line = Line(self.line, seed)
        for number, each in enumerate(self.stations):
            server: Varied | Gateway = Varied(number + 1)
            if number in self.unreached:
                server = Gateway(server, self.unreached[number], random.Random(seed))
            line.add_station(each, server)
        for master in self.masters:
            line.add_master(master)
        return Bus(VirtualLink(line.open_port(self.port)))

    @property
    def addresses(self) -> tuple[int, ...]:
        return tuple(dict.fromkeys(s.address for s in self.stations))

    def change(self, number: int, **habits: object) -> int:
        """Change one device; returns its address."""
        self.stations[number] = replace(self.stations[number], **habits)  # type: ignore[arg-type]
        return self.stations[number].address

    def change_node(self, number: int, **habits: object) -> int:
        node = replace(self.stations[number].node, **habits)  # type: ignore[arg-type]
        return self.change(number, node=node)


def healthy(rng: random.Random, devices: int | None = None) -> Drawn:
    """A sound line: sizes, rates, turn-arounds and transceivers drawn."""
    settings = LineSettings(rng.choice((9600, 9600, 19200, 38400)))
    length = rng.uniform(5.0, 200.0)
    count = devices if devices is not None else rng.randint(2, 4)
    # Bias holds the idle line, so that classic receivers are sound too.
    line = LineParameters(
        loop_ohm_per_m=rng.uniform(0.08, 0.2),
        terminators=(Terminator(0.0), Terminator(length)),
        biases=(Bias(0.0, 520.0, 520.0),),
    )
    kind = rng.choice((classic, failsafe))

    def node(position: float) -> NodeParameters:
        return NodeParameters(
            position_m=position,
            settings=settings,
            driver=rng.choice((Driver(), Driver(3.3, 35.0))),
            comparator=kind(),
            clock_error=rng.gauss(0.0, 0.002),
        )

    addresses = rng.sample(range(1, 100), count)
    turnarounds = [rng.uniform(4.0, 90.0) for _ in addresses]
    stations = [
        StationParameters(a, node(rng.uniform(1.0, length)), t, rng.uniform(0.1, 10.0))
        for a, t in zip(addresses, turnarounds, strict=True)
    ]
    port = PortParameters(
        replace(node(rng.uniform(0.0, length)), driver=Driver()),
        latency_ms=rng.choice((0.0, 1.0, 1.0, 16.0)),
        reports_marks=rng.random() < 0.4,
    )
    return Drawn(rng, settings, line, port, stations)


def noise(drawn: Drawn) -> None:
    drawn.line = replace(
        drawn.line,
        burst_rate_hz=drawn.rng.uniform(0.8, 5.0),
        burst_us=(200.0, drawn.rng.uniform(500.0, 2500.0)),
    )
    drawn.truth.add(("noisy-line", None))


def no_bias(drawn: Drawn) -> None:
    drawn.line = replace(
        drawn.line,
        biases=(),
        float_rate_hz=drawn.rng.uniform(2.0, 15.0),
        float_hold_ms=drawn.rng.uniform(1.0, 40.0),
    )
    drawn.stations = [
        replace(s, node=replace(s.node, comparator=classic())) for s in drawn.stations
    ]
    node = replace(drawn.port.node, comparator=classic())
    drawn.port = replace(drawn.port, node=node)
    drawn.truth.add(("no-bias", None))


def echo(drawn: Drawn) -> None:
    drawn.port = replace(drawn.port, node=replace(drawn.port.node, hears_itself=True))
    drawn.truth.add(("echo-heard", None))


def driver_late(drawn: Drawn) -> None:
    """Our driver is on until the fastest device has begun; the others are slower."""
    bits_per_ms = drawn.settings.baud / 1e3
    silence_ms = 3.5 * drawn.settings.bits_per_character / bits_per_ms + 0.5
    drawn.change(0, turnaround_ms=silence_ms + 4.0, loop_ms=0.2)
    for number in range(1, len(drawn.stations)):
        drawn.change(number, turnaround_ms=drawn.rng.uniform(30.0, 90.0))
    # One to two characters into its answer.
    overlap = drawn.rng.uniform(1.0, 1.9) * drawn.settings.bits_per_character
    trail = (silence_ms + 4.1) * bits_per_ms + overlap
    drawn.port = replace(
        drawn.port, latency_ms=0.0, node=replace(drawn.port.node, trail_bits=trail)
    )
    drawn.truth.add(("driver-late", None))


def last_byte_lost(drawn: Drawn) -> None:
    if drawn.rng.random() < 0.5:
        address = drawn.change(0, cut_last_byte_rate=drawn.rng.uniform(0.1, 0.7))
    else:
        address = drawn.change_node(0, trail_bits=-drawn.rng.uniform(3.0, 10.5))
    drawn.truth.add(("last-byte-lost", address))


def rolling(drawn: Drawn) -> None:
    address = drawn.change(0, late_last_byte_rate=drawn.rng.uniform(0.15, 0.7))
    drawn.truth.add(("rolling-answer", address))


def minimum_gap(drawn: Drawn) -> None:
    # Longer than t3.5 and the latency of the adapter, which pauses by itself.
    shortest = 25.0 if drawn.port.latency_ms > 2 else 8.0
    address = drawn.change(0, min_gap_ms=drawn.rng.uniform(shortest, 110.0))
    drawn.truth.add(("minimum-gap", address))


def drops(drawn: Drawn) -> None:
    address = drawn.change(0, drop_rate=drawn.rng.uniform(0.12, 0.6))
    drawn.truth.add(("requests-dropped", address))


def deaf(drawn: Drawn) -> None:
    address = drawn.change(0, sync_loss_rate=drawn.rng.uniform(0.3, 0.9))
    drawn.truth.add(("deaf-after-others", address))


def for_others(drawn: Drawn) -> None:
    address = drawn.change(0, foreign_answer_rate=drawn.rng.uniform(0.15, 0.6))
    drawn.truth.add(("answers-for-others", address))


def slow(drawn: Drawn) -> None:
    address = drawn.change(0, turnaround_ms=drawn.rng.uniform(220.0, 400.0), loop_ms=150.0)
    drawn.truth.add(("slow-device", address))


def very_slow(drawn: Drawn) -> None:
    """Some of its answers come when the next device is being asked."""
    address = drawn.change(
        0,
        turnaround_ms=drawn.rng.uniform(140.0, 500.0),
        loop_ms=drawn.rng.uniform(500.0, 900.0),
    )
    drawn.truth.add(("slow-device", address))


def pausing(drawn: Drawn) -> None:
    address = drawn.change(
        0, pause_after=drawn.rng.randint(5, 30), pause_ms=drawn.rng.uniform(40.0, 300.0)
    )
    drawn.truth.add(("device-pauses", address))


def silent(drawn: Drawn) -> None:
    address = drawn.change_node(0, dead_driver=True)
    drawn.truth.add(("device-silent", address))


def other_settings(drawn: Drawn) -> None:
    """One device was left at another rate."""
    other = drawn.rng.choice([b for b in (9600, 19200, 38400) if b != drawn.settings.baud])
    address = drawn.change_node(0, settings=replace(drawn.settings, baud=other))
    drawn.truth.add(("settings-differ", address))


def gateway(drawn: Drawn) -> None:
    """One address lies behind a gateway that does not always reach it."""
    drawn.unreached[0] = drawn.rng.uniform(0.2, 1.0)
    drawn.truth.add(("gateway-between", drawn.stations[0].address))


def duplicate(drawn: Drawn) -> None:
    twin = drawn.stations[0]
    near = NodeParameters(
        drawn.rng.uniform(1.0, 150.0), drawn.settings, comparator=twin.node.comparator
    )
    drawn.stations.append(
        replace(
            twin,
            node=near,
            turnaround_ms=twin.turnaround_ms + drawn.rng.uniform(-1.0, 3.0),
            loop_ms=3.0,
        )
    )
    drawn.truth.add(("duplicate-address", twin.address))


def master(drawn: Drawn) -> None:
    node = NodeParameters(3.0, drawn.settings, comparator=drawn.port.node.comparator)
    asked = ((drawn.stations[-1].address, pdu.read_registers(3, 40072, 20)),)
    drawn.masters.append(MasterParameters(node, asked, period_ms=drawn.rng.uniform(300.0, 1500.0)))
    drawn.truth.add(("foreign-master", None))


def edges(drawn: Drawn) -> None:
    address = drawn.change_node(0, lead_bits=20.0, on_glitch_bits=drawn.rng.choice((1.0, 9.0)))
    drawn.truth.add(("switching-edges", address))


def wrong_parity(drawn: Drawn) -> None:
    """One device has the other parity, and the adapter says so."""
    # The line is 8E1, so that the values arrive; this device has the other parity.
    settings = replace(drawn.settings, parity=Parity.EVEN)
    drawn.stations = [replace(s, node=replace(s.node, settings=settings)) for s in drawn.stations]
    drawn.port = replace(
        drawn.port, reports_marks=True, node=replace(drawn.port.node, settings=settings)
    )
    address = drawn.change_node(0, settings=replace(settings, parity=Parity.ODD))
    drawn.truth.add(("wrong-parity", address))


FAULTS: dict[str, Callable[[Drawn], None]] = {
    "noisy-line": noise,
    "no-bias": no_bias,
    "echo-heard": echo,
    "driver-late": driver_late,
    "last-byte-lost": last_byte_lost,
    "rolling-answer": rolling,
    "minimum-gap": minimum_gap,
    "requests-dropped": drops,
    "deaf-after-others": deaf,
    "answers-for-others": for_others,
    "slow-device": slow,
    "very-slow-device": very_slow,
    "device-pauses": pausing,
    "device-silent": silent,
    "settings-differ": other_settings,
    "gateway-between": gateway,
    "duplicate-address": duplicate,
    "foreign-master": master,
    "switching-edges": edges,
    "wrong-parity": wrong_parity,
}


def draw(seed: int, *faults: str) -> Drawn:
    """A line with these faults."""
    drawn = healthy(random.Random(f"{seed} {faults}"))
    for fault in faults:
        FAULTS[fault](drawn)
    return drawn
