"""Two devices answer one request: how often each kind of reply is heard.

Every trial is a line of its own with two devices on one address, 9600 8N1, whose 9-byte replies
hold random data.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

from busprobe.model.chunk import Mark
from busprobe.model.line import LineSettings
from busprobe.wire.crc import is_intact, with_crc
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import (
    LineParameters,
    NodeParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.physics.levels import (
    DRIVER_3V3,
    DRIVER_5V,
    DRIVER_WEAK,
    Bias,
    Driver,
    Terminator,
)
from busprobe_sim.physics.receiver import Comparator, classic, failsafe

ADDRESS = 1
REQUEST = with_crc(bytes([ADDRESS, 3, 0, 0, 0, 2]))
REPLY_BYTES = 9
DEFAULT_FORM = LineSettings()


@dataclass(frozen=True, slots=True)
class Situation:
    """What the two devices are like.

    Attributes:
        positions_m: Where they are.
        port_m: Where the port is.
        form: Settings of all.
        drivers: Their drivers.
        receiver: Draws the receiver of the port.
        same_data: Both answer the same.
        turnaround_ms: Least turn-around of each [ms].
        loop_ms: Spread of the turn-around [ms].
    """

    positions_m: tuple[float, float] = (5.0, 15.0)
    port_m: float = 0.0
    form: LineSettings = DEFAULT_FORM
    drivers: tuple[Driver, Driver] = (DRIVER_5V, DRIVER_5V)
    receiver: Callable[[random.Random], Comparator] = lambda _: failsafe()
    same_data: bool = False
    turnaround_ms: tuple[float, float] = (5.0, 5.0)
    loop_ms: float = 2.0


def any_failsafe(chance: random.Random) -> Comparator:
    """A failsafe part."""
    return failsafe(chance.uniform(-0.130, -0.050))


def any_classic(chance: random.Random) -> Comparator:
    """A part without failsafe."""
    return classic(chance.uniform(-0.060, 0.060))


ZEROS_ONLY = Driver(zeros_only=True)
SITUATIONS = {
    "equal, 10 m apart, failsafe": Situation(receiver=any_failsafe),
    "equal, 10 m apart, classic": Situation(receiver=any_classic),
    "5 m and 50 m": Situation((5.0, 50.0), receiver=any_failsafe),
    "5 m and 300 m": Situation((5.0, 300.0), receiver=any_failsafe),
    "5 V against 3.3 V": Situation(drivers=(DRIVER_5V, DRIVER_3V3), receiver=any_failsafe),
    "weak against 5 V": Situation(drivers=(DRIVER_WEAK, DRIVER_5V), receiver=any_failsafe),
    "equal, identical data": Situation(receiver=any_failsafe, same_data=True),
    "both drive only 0": Situation(drivers=(ZEROS_ONLY, ZEROS_ONLY), receiver=any_failsafe),
}


class _Registers:
    def __init__(self, data: bytes) -> None:
        self._data = data

    def respond(self, request: bytes, now_ns: int) -> bytes:
        return bytes([request[0], len(self._data)]) + self._data


@dataclass(frozen=True, slots=True)
class Outcome:
    """What was heard in one trial.

    Attributes:
        kind: "clean", "tail", "junk+frame", "two" or "none".
        damaged: A framing error or a break was among it.
        winner: Whose reply was heard undamaged (0 or 1), if one of two different ones.
    """

    kind: str
    damaged: bool
    winner: int | None


def classify(data: bytes) -> str:
    """Which kind of reply the bytes are."""
    places = [
        i
        for i in range(len(data) - REPLY_BYTES + 1)
        if data[i : i + 3] == bytes([ADDRESS, 3, 4]) and is_intact(data[i : i + REPLY_BYTES])
    ]
    if not places:
        return "none"
    if len(places) > 1:
        return "two"
    if places[0] > 0:
        return "junk+frame"
    return "clean" if len(data) == REPLY_BYTES else "tail"


def trial(situation: Situation, seed: int) -> Outcome:
    """Ask once on a fresh line."""
    chance = random.Random(seed)
    end_m = max(situation.positions_m)
    line = Line(
        LineParameters(
            terminators=(Terminator(0.0), Terminator(end_m)), biases=(Bias(0.0),), float_rate_hz=0.0
        ),
        seed,
    )
    data = chance.randbytes(4)
    replies = []
    for position, driver, turnaround in zip(
        situation.positions_m, situation.drivers, situation.turnaround_ms, strict=True
    ):
        station = StationParameters(
            address=ADDRESS,
            node=NodeParameters(
                position_m=position,
                settings=situation.form,
                driver=driver,
                clock_error=chance.gauss(0.0, 0.002),
            ),
            turnaround_ms=turnaround,
            loop_ms=situation.loop_ms,
        )
        line.add_station(station, _Registers(data))
        replies.append(with_crc(bytes([ADDRESS, 3, 4]) + data))
        if not situation.same_data:
            data = chance.randbytes(4)
    node = NodeParameters(
        position_m=situation.port_m,
        settings=situation.form,
        comparator=situation.receiver(chance),
    )
    port = line.open_port(PortParameters(node, reports_marks=True))
    port.write(0, REQUEST)
    heard, marks = b"", set()
    while (chunk := port.next_arrival(150_000_000)) is not None:
        heard += chunk.data
        marks |= set(chunk.marks or ())
    damaged = bool(marks & {Mark.FRAMING, Mark.FRAMING_PARITY, Mark.BREAK})
    heard_of = [number for number, reply in enumerate(replies) if reply in heard]
    return Outcome(classify(heard), damaged, heard_of[0] if len(heard_of) == 1 else None)


def shares(situation: Situation, trials: int, first_seed: int = 0) -> dict[str, float]:
    """Share of each kind of outcome, and of "damaged" [1]."""
    counts: Counter[str] = Counter()
    for seed in range(first_seed, first_seed + trials):
        outcome = trial(situation, seed)
        counts[outcome.kind] += 1
        counts["damaged"] += outcome.damaged
    kinds = ("clean", "tail", "junk+frame", "two", "none", "damaged")
    return {kind: counts[kind] / trials for kind in kinds}
