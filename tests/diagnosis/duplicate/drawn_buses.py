"""Buses drawn from the full ranges of line physics and firmware habits, one class at a time.

Ranges: TIA/EIA-485-A limits and engineering practice inside them, see `simulators/README.md`.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from busprobe.bus.bus import Bus
from busprobe.model.device import Device, Identity, ModelBlock, SunSpecMap
from busprobe.model.line import LineSettings, Parity
from busprobe.wire import pdu
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import (
    LineParameters,
    MasterParameters,
    NodeParameters,
    OnOtherRequest,
    PortParameters,
    StationParameters,
)
from busprobe_sim.meters.registers import RegisterMap, Stretch, fixed
from busprobe_sim.meters.server import RegisterServer, ServerParameters
from busprobe_sim.meters.sunspec import MARKER, Nameplate, common_model
from busprobe_sim.physics.levels import Bias, Driver, Terminator
from busprobe_sim.physics.receiver import Comparator, classic, failsafe
from busprobe_sim.physics.uart import AfterFramingError
from busprobe_sim.ports.virtual import VirtualLink

ADDRESS = 1
NEIGHBOUR = 2
_LIVE_MODEL, _LIVE_LENGTH = 203, 105


@dataclass
class DrawnBus:
    """A bus with the truth about it.

    Attributes:
        name: Its class.
        bus: Ready to ask.
        line: For its log.
        devices: How many share the address.
        serials: What is printed on them.
        identity: What a search would know of the address.
        neighbour: Whether another device answers at `NEIGHBOUR`.
    """

    name: str
    bus: Bus
    line: Line
    devices: int
    serials: tuple[str, ...]
    identity: Device
    neighbour: bool

    @property
    def speakers(self) -> int:
        """How many of the devices at the address have sent anything so far."""
        return len({e.sender for e in self.line.log if e.sender.endswith(f"@{ADDRESS}")})


@dataclass
class _Draw:
    """The choices of one bus; a class changes them."""

    line: LineParameters
    port: PortParameters
    stations: list[StationParameters]
    plates: list[Nameplate]
    plain: bool = False
    master: MasterParameters | None = None


def _serial(r: random.Random) -> bytes:
    style = r.randrange(4)
    number = r.randrange(10**8)
    if style == 0:
        return b"%d" % (700000 + number % 99999)
    if style == 1:
        return b"TF30-%06d" % (number % 10**6)
    if style == 2:
        return b"QW%010d" % number
    return b"%08X" % number


def _plates(r: random.Random, count: int, alike: bool) -> list[Nameplate]:
    first = Nameplate(b"Trollfen", b"TF 30", b"", b"1.7.2", _serial(r))
    plates = [first]
    for _ in range(count - 1):
        if alike:
            text = bytearray(first.serial)
            digits = [i for i, c in enumerate(text) if 48 <= c < 58]
            for place in digits[-r.randint(1, 4) :]:
                text[place] = 48 + (text[place] - 48 + r.randint(1, 9)) % 10
            plates.append(replace(first, serial=bytes(text)))
        else:
            plates.append(Nameplate(b"Nixenfurt", b"NF 3F", b"S", b"2.01", _serial(r)))
    return plates


def _driver(r: random.Random) -> Driver:
    kind = r.random()
    if kind < 0.55:
        return Driver(r.uniform(4.0, 5.0), r.uniform(30.0, 60.0))
    if kind < 0.92:
        return Driver(r.uniform(3.0, 3.3), r.uniform(25.0, 45.0))
    return Driver(3.0, 54.0)


def _comparator(r: random.Random) -> Comparator:
    noise = 0.010 * math.exp(r.gauss(0.0, 0.5))
    noise = min(0.05, max(0.005, noise))
    if r.random() < 0.6:
        return failsafe(r.uniform(-0.130, -0.050), noise)
    return classic(r.uniform(-0.060, 0.060), noise)


def _node(r: random.Random, position_m: float, settings: LineSettings) -> NodeParameters:
    return NodeParameters(
        position_m=position_m,
        settings=settings,
        driver=_driver(r),
        comparator=_comparator(r),
        unit_load=r.choice((1.0, 0.25, 0.125)),
        lead_bits=r.uniform(0.0, 40.0) if r.random() < 0.2 else r.uniform(0.0, 2.0),
        trail_bits=r.uniform(0.0, 20.0) if r.random() < 0.2 else r.uniform(0.0, 2.0),
        clock_error=max(-0.01, min(0.01, r.gauss(0.0, 0.002))),
        after_framing_error=r.choice(list(AfterFramingError)),
    )


def _turnaround(r: random.Random) -> tuple[float, float]:
    base = math.exp(r.uniform(math.log(2.0), math.log(300.0)))
    loop = math.exp(r.uniform(math.log(0.1), math.log(20.0)))
    return base, loop


def _settings(r: random.Random) -> LineSettings:
    kind = r.random()
    if kind < 0.8:
        return LineSettings(9600)
    return LineSettings(19200) if kind < 0.9 else LineSettings(9600, Parity.EVEN)


def _draw(r: random.Random, devices: int, *, bias: bool = True, alike: bool = True) -> _Draw:
    length = r.uniform(5.0, 300.0)
    settings = _settings(r)
    count = r.choices((0, 1, 2, 3), (0.1, 0.2, 0.6, 0.1))[0]
    places = [0.0, length, r.uniform(0.0, length)][:count]
    biases: tuple[Bias, ...] = ()
    if bias:
        ohm = r.uniform(450.0, 650.0)
        biases = (Bias(r.choice((0.0, length)), ohm, ohm),)
    line = LineParameters(
        loop_ohm_per_m=r.uniform(0.08, 0.28),
        terminators=tuple(Terminator(p) for p in places),
        biases=biases,
        float_rate_hz=0.0 if bias else r.uniform(0.0, 20.0),
        float_hold_ms=r.uniform(1.0, 100.0),
    )
    at = r.choice((0.0, length, r.uniform(0.0, length)))
    own = replace(_node(r, at, settings), lead_bits=0.5, trail_bits=0.5)
    port = PortParameters(
        own, latency_ms=r.choice((0.0, 0.0, 1.0, 16.0)), reports_marks=r.random() < 0.5
    )
    stations = []
    for _ in range(devices):
        base, loop = _turnaround(r)
        node = _node(r, r.uniform(0.0, length), settings)
        stations.append(
            StationParameters(address=ADDRESS, node=node, turnaround_ms=base, loop_ms=loop)
        )
    return _Draw(line, port, stations, _plates(r, devices, alike), r.random() < 0.12)


def _like(r: random.Random, draw: _Draw, spread_ms: float) -> None:
    """Give all stations one firmware: nearly the same turn-around, the same loop time."""
    first = draw.stations[0]
    draw.stations[1:] = [
        replace(
            s,
            turnaround_ms=max(1.0, first.turnaround_ms + r.uniform(-spread_ms, spread_ms)),
            loop_ms=first.loop_ms,
        )
        for s in draw.stations[1:]
    ]


def _move(draw: _Draw, number: int, position_m: float, driver: Driver | None = None) -> None:
    station = draw.stations[number]
    node = replace(station.node, position_m=position_m, driver=driver or station.node.driver)
    draw.stations[number] = replace(station, node=node)


def _clean(r: random.Random) -> _Draw:
    return _draw(r, 1)


def _noisy(rate: tuple[float, float], burst_us: tuple[float, float]) -> Callable[..., _Draw]:
    def build(r: random.Random) -> _Draw:
        draw = _draw(r, 1)
        return replace_line(draw, burst_rate_hz=r.uniform(*rate), burst_us=burst_us)

    return build


def replace_line(draw: _Draw, **changes: object) -> _Draw:
    """Change the line."""
    draw.line = replace(draw.line, **changes)  # type: ignore[arg-type]
    return draw


def _change(draw: _Draw, **changes: object) -> _Draw:
    draw.stations = [replace(s, **changes) for s in draw.stations]  # type: ignore[arg-type]
    return draw


def _echo(r: random.Random) -> _Draw:
    draw = _draw(r, 1)
    draw.port = replace(draw.port, node=replace(draw.port.node, hears_itself=True))
    if r.random() < 0.3:
        replace_line(draw, burst_rate_hz=r.uniform(0.2, 3.0), burst_us=(100.0, 1000.0))
    return draw


def _slow(r: random.Random) -> _Draw:
    return _change(
        _draw(r, 1), turnaround_ms=r.uniform(150.0, 300.0), loop_ms=r.uniform(1.0, 150.0)
    )


def _min_gap(r: random.Random) -> _Draw:
    return _change(_draw(r, 1), min_gap_ms=r.choice((15.0, 30.0, 60.0, 90.0, 200.0, 400.0)))


def _no_bias(r: random.Random) -> _Draw:
    draw = _draw(r, 1, bias=False)
    draw.port = replace(
        draw.port,
        node=replace(draw.port.node, own_glitch_bits=r.choice((0.0, 1.0, 9.5, r.uniform(0, 12)))),
    )
    glitches = {
        "on_glitch_bits": r.choice((0.0, 1.0, 9.5, r.uniform(0.0, 11.0))),
        "off_glitch_bits": r.choice((0.0, 0.0, 1.0, 9.5)),
        "lead_bits": 12.0,
    }
    node = replace(draw.stations[0].node, **glitches)  # type: ignore[arg-type]
    return _change(draw, node=node)


def _last_byte(r: random.Random) -> _Draw:
    rate = r.uniform(0.05, 0.6)
    late = r.random() < 0.5
    return _change(_draw(r, 1), **{"late_last_byte_rate" if late else "cut_last_byte_rate": rate})


def _drops(r: random.Random) -> _Draw:
    return _change(_draw(r, 1), drop_rate=r.uniform(0.05, 0.4))


def _pause(r: random.Random) -> _Draw:
    return _change(_draw(r, 1), pause_after=r.randint(1, 30), pause_ms=r.uniform(0.5, 12.0))


def _first_byte(r: random.Random) -> _Draw:
    """The device switches its driver on too late, now and then or always."""
    draw = _draw(r, 1)
    if r.random() < 0.7:
        return _change(draw, cut_first_byte_rate=r.uniform(0.05, 0.6))
    node = replace(draw.stations[0].node, lead_bits=-r.uniform(0.3, 4.0))
    return _change(draw, node=node)


def _weak(r: random.Random) -> _Draw:
    """A driver so weak that noise decides many bits."""
    draw = _draw(r, 1)
    _move(draw, 0, 100.0, Driver(r.uniform(0.3, 0.9), 60.0))
    noise = r.uniform(0.02, 0.05)
    own = replace(draw.port.node, comparator=failsafe(r.uniform(-0.13, -0.05), noise))
    draw.port = replace(draw.port, node=own)
    return draw


def _ground(r: random.Random) -> _Draw:
    """Receivers freeze in a part of each mains period."""
    draw = _draw(r, 1)
    own = replace(draw.port.node, ground_ac_v=r.uniform(7.0, 7.8))
    draw.port = replace(draw.port, node=own)
    return draw


def _clock(r: random.Random) -> _Draw:
    """A bit clock at the limit of what a receiver follows."""
    draw = _draw(r, 1)
    error = r.choice((-1, 1)) * r.uniform(0.03, 0.053)
    node = replace(draw.stations[0].node, clock_error=error)
    return _change(draw, node=node)


def _overlap(r: random.Random) -> _Draw:
    """The adapter drives on into the answer."""
    draw = _draw(r, 1)
    draw.port = replace(draw.port, node=replace(draw.port.node, trail_bits=r.uniform(10.0, 40.0)))
    return _change(draw, turnaround_ms=r.uniform(0.5, 3.5), loop_ms=r.uniform(0.1, 1.0))


def _foreign(r: random.Random) -> _Draw:
    """Another master polls the same devices."""
    draw = _draw(r, 1)
    draw.master = MasterParameters(
        node=_node(r, r.uniform(0.0, 100.0), draw.port.node.settings),
        requests=tuple(
            (a, pdu.read_registers(3, 40070, r.randint(1, 100)))
            for a in r.choice(((ADDRESS,), (NEIGHBOUR,), (ADDRESS, NEIGHBOUR)))
        ),
        period_ms=r.uniform(300.0, 2000.0),
    )
    return draw


def _any(r: random.Random, devices: int, *, of_one_model: bool = False) -> _Draw:
    """Everything from its full range, nothing chosen for a purpose.

    Receiver noise 5-50 mV, terminators 0-3, bias none, one of 450-650 Ohm or some of 4.7 kOhm, the
    driver on 0-40 bits before and up to two characters after an answer. Devices of one model have
    one firmware, and so one turn-around and one loop time.
    """
    draw = _draw(r, devices, alike=of_one_model or r.random() < 0.5)
    kind = r.random()
    if kind < 0.6:
        pass
    elif kind < 0.8:
        weak = tuple(Bias(r.uniform(0.0, 300.0), 4700.0, 4700.0) for _ in range(r.randint(1, 10)))
        replace_line(draw, biases=weak, float_rate_hz=r.uniform(0.0, 20.0))
    else:
        replace_line(draw, biases=(), float_rate_hz=r.uniform(0.0, 20.0))

    def drawn(node: NodeParameters) -> NodeParameters:
        noise = math.exp(r.uniform(math.log(0.005), math.log(0.05)))
        return replace(
            node,
            comparator=replace(node.comparator, noise_rms_v=noise),
            lead_bits=r.uniform(0.0, 40.0) if r.random() < 0.5 else 0.5,
            trail_bits=r.uniform(0.0, 20.0) if r.random() < 0.5 else 0.5,
            off_glitch_bits=r.uniform(0.5, 10.0) if r.random() < 0.05 else 0.0,
        )

    draw.stations = [replace(s, node=drawn(s.node)) for s in draw.stations]
    own = drawn(draw.port.node)
    draw.port = replace(draw.port, node=replace(own, lead_bits=0.5, trail_bits=0.5))
    if of_one_model:
        _like(r, draw, 0.01)
    return draw


def _glitches(r: random.Random) -> _Draw:
    """A sound line, and a driver that pulls the pair low when it is switched on or off."""
    draw = _draw(r, 1)
    width = r.choice((1.0, 9.5, r.uniform(0.5, 10.0)))
    name = r.choice(("on_glitch_bits", "off_glitch_bits"))
    node = replace(draw.stations[0].node, lead_bits=12.0)
    return _change(draw, node=replace(node, **{name: width}))


def _any_one(r: random.Random) -> _Draw:
    return _any(r, 1)


def _any_two(r: random.Random) -> _Draw:
    return _any(r, 2)


def _any_model(r: random.Random) -> _Draw:
    return _any(r, 2, of_one_model=True)


def _equal_clocks(r: random.Random) -> _Draw:
    """Of one model, with crystals: clocks within some millionths of each other.

    No rate parts them by their clocks; how a receiver goes on after a missing stop bit is a matter
    of the model too.
    """
    draw = _any(r, 2, of_one_model=True)
    restart = draw.stations[0].node.after_framing_error
    draw.stations = [
        replace(
            s,
            node=replace(s.node, clock_error=r.gauss(0.0, 30e-6), after_framing_error=restart),
        )
        for s in draw.stations
    ]
    return draw


def _any_three(r: random.Random) -> _Draw:
    return _any(r, 3)


def _equal_close(r: random.Random) -> _Draw:
    draw = _draw(r, 2)
    at = draw.stations[0].node.position_m
    _move(draw, 1, at + r.uniform(0.0, 12.0), draw.stations[0].node.driver)
    _like(r, draw, 2.0)
    return draw


def _near_far(r: random.Random) -> _Draw:
    draw = _draw(r, 2)
    near, far = r.sample((0, 1), 2)
    _move(draw, near, r.uniform(0.0, 10.0), draw.stations[0].node.driver)
    _move(draw, far, r.uniform(60.0, 300.0), draw.stations[0].node.driver)
    draw.port = replace(draw.port, node=replace(draw.port.node, position_m=r.choice((0.0, 300.0))))
    _like(r, draw, 4.0)
    return draw


def _volts(r: random.Random) -> _Draw:
    draw = _draw(r, 2)
    drivers = [
        Driver(r.uniform(4.0, 5.0), r.uniform(30.0, 60.0)),
        Driver(r.uniform(3.0, 3.3), r.uniform(25.0, 45.0)),
    ]
    r.shuffle(drivers)
    at = draw.stations[0].node.position_m
    for number, driver in enumerate(drivers):
        _move(draw, number, at + 10.0 * number, driver)
    _like(r, draw, 3.0)
    return draw


def _tiny(r: random.Random) -> _Draw:
    """Identical firmware: differences of microseconds to a bit."""
    draw = _draw(r, 2)
    _like(r, draw, r.choice((0.005, 0.03, 0.1)))
    loop = r.choice((0.01, 0.05, 0.2))
    return _change(draw, loop_ms=loop)


def _models(r: random.Random) -> _Draw:
    return _draw(r, 2, alike=False)


def _apart(r: random.Random) -> _Draw:
    draw = _draw(r, 2)
    first = draw.stations[0]
    after = first.turnaround_ms + first.loop_ms + r.uniform(20.0, 250.0)
    draw.stations[1] = replace(draw.stations[1], turnaround_ms=min(300.0, after))
    return draw


def _three(r: random.Random) -> _Draw:
    draw = _draw(r, 3)
    if r.random() < 0.7:
        _like(r, draw, 3.0)
    return draw


def _noisy_two(r: random.Random) -> _Draw:
    draw = _draw(r, 2)
    if r.random() < 0.5:
        _like(r, draw, 3.0)
    return replace_line(draw, burst_rate_hz=r.uniform(0.3, 4.0), burst_us=(100.0, 1000.0))


def _mostly_mute(r: random.Random) -> _Draw:
    """The second one misses most requests."""
    draw = _draw(r, 2)
    draw.stations[1] = replace(draw.stations[1], drop_rate=r.uniform(0.5, 0.9))
    return draw


def _no_bias_two(r: random.Random) -> _Draw:
    draw = _draw(r, 2, bias=False)
    if r.random() < 0.5:
        _like(r, draw, 3.0)
    return draw


def _polite(r: random.Random) -> _Draw:
    """Both listen first, and each is at times the first."""
    draw = _draw(r, 2)
    _like(r, draw, 0.5)
    return _change(draw, listens_first=True, loop_ms=r.uniform(2.0, 20.0))


def _hidden(r: random.Random) -> _Draw:
    """The second one listens first and always comes second: it never sends."""
    draw = _apart(r)
    draw.stations[1] = replace(draw.stations[1], listens_first=True)
    return draw


def _abort(r: random.Random) -> _Draw:
    draw = _draw(r, 2)
    if r.random() < 0.5:
        _like(r, draw, 3.0)
    return _change(draw, on_other_request=OnOtherRequest.ABORT)


SINGLE: dict[str, Callable[[random.Random], _Draw]] = {
    "any one device": _any_one,
    "clean": _clean,
    "noisy, 0.2-1 bursts/s": _noisy((0.2, 1.0), (50.0, 1000.0)),
    "noisy, 1.2 bursts/s": _noisy((1.2, 1.2), (200.0, 2500.0)),
    "noisy, 1-5 bursts/s": _noisy((1.0, 5.0), (50.0, 1000.0)),
    "noisy, 5-20 bursts/s": _noisy((5.0, 20.0), (50.0, 1000.0)),
    "noisy, 1-5 long bursts/s": _noisy((1.0, 5.0), (1000.0, 3000.0)),
    "echo": _echo,
    "late": _slow,
    "least gap": _min_gap,
    "no bias": _no_bias,
    "glitches of switching": _glitches,
    "first byte lost": _first_byte,
    "last byte cut or late": _last_byte,
    "drops requests": _drops,
    "pause in the answer": _pause,
    "noisy, 20-60 bursts/s": _noisy((20.0, 60.0), (50.0, 1000.0)),
    "weak driver": _weak,
    "ground beyond limits": _ground,
    "bit clock off": _clock,
    "adapter drives too long": _overlap,
    "foreign master": _foreign,
}
TWO: dict[str, Callable[[random.Random], _Draw]] = {
    "any two devices": _any_two,
    "any two of one model": _any_model,
    "any three devices": _any_three,
    "of one model, crystals": _equal_clocks,
    "equal, close": _equal_close,
    "near and far": _near_far,
    "5 V and 3.3 V": _volts,
    "identical firmware": _tiny,
    "different models": _models,
    "apart": _apart,
    "three devices": _three,
    "two, noisy line": _noisy_two,
    "two, no bias": _no_bias_two,
    "one mostly mute": _mostly_mute,
    "both listen first": _polite,
    "both abort": _abort,
    "second fully hidden": _hidden,
}


def draw_bus(name: str, seed: int) -> DrawnBus:
    """Build the bus of a class and a seed."""
    r = random.Random(f"{name}/{seed}")
    single = name in SINGLE
    draw = (SINGLE if single else TWO)[name](r)
    base = r.choices((40000, 0, 50000), (0.8, 0.1, 0.1))[0]
    line = Line(draw.line, seed)
    for station, plate in zip(draw.stations, draw.plates, strict=True):
        line.add_station(station, _server(r, plate, base, draw.plain))
    neighbour = r.random() < 0.5
    if neighbour:
        node = _node(r, r.uniform(0.0, 50.0), draw.port.node.settings)
        base_ms, loop_ms = _turnaround(r)
        line.add_station(
            StationParameters(NEIGHBOUR, node, turnaround_ms=base_ms, loop_ms=loop_ms),
            _server(r, _plates(r, 1, True)[0], base, False),
        )
    if draw.master is not None:
        line.add_master(draw.master)
    port = line.open_port(draw.port)
    known = draw.plain or base != 40000 or r.random() < 0.5
    identity = Device(address=ADDRESS)
    if known and draw.plain:
        identity = replace(identity, identity=Identity("Trollfen", source="profile"))
    elif known:
        blocks = (ModelBlock(1, base + 2, 66), ModelBlock(_LIVE_MODEL, base + 70, _LIVE_LENGTH))
        identity = replace(identity, sunspec=SunSpecMap(base, blocks))
    serials = () if draw.plain else tuple(plate.serial.decode() for plate in draw.plates)
    return DrawnBus(
        name, Bus(VirtualLink(port)), line, len(draw.stations), serials, identity, neighbour
    )


def _server(r: random.Random, plate: Nameplate, base: int, plain: bool) -> RegisterServer:
    live = _live(random.Random(r.random()))
    if plain:
        registers = RegisterMap([Stretch(0, 60, lambda t: live(t)[:60])])
        return RegisterServer(registers, ServerParameters((3, 4)))
    common = common_model(plate, ADDRESS).registers(0)
    return RegisterServer(
        RegisterMap(
            [
                fixed(base, MARKER),
                fixed(base + 2, common),
                fixed(base + 70, (_LIVE_MODEL, _LIVE_LENGTH)),
                Stretch(base + 72, _LIVE_LENGTH, live),
                fixed(base + 72 + _LIVE_LENGTH, (0xFFFF, 0)),
            ]
        ),
        ServerParameters((3,)),
    )


def _live(r: random.Random) -> Callable[[int], Sequence[int]]:
    """Readings about a level of their own."""
    levels = [r.choice((0, r.randrange(500), 2300, r.randrange(0x10000))) for _ in range(105)]

    def content(now_ns: int) -> Sequence[int]:
        wobble = now_ns // 200_000_000
        return [(level + (level * 7 + wobble) % 5) & 0xFFFF if level else 0 for level in levels]

    return content
