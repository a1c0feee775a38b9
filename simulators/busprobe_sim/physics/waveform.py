"""From driver states over time to the voltage at one receiver over time.

A track tells what one driver does: +1, -1 or 0 (off) in segments. Tracks are laid over each other
segment by segment, and each combination is looked up in the level table, so that the cost depends
on the number of edges and not on time.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from busprobe.model.line import LineSettings
from busprobe_sim.physics.levels import LevelTable
from busprobe_sim.physics.receiver import Comparator, Levels, Times, Volts, compare
from busprobe_sim.physics.uart import transmit


@dataclass(frozen=True, slots=True)
class Track:
    """What one driver does over time.

    Attributes:
        node: Number of the driver's node.
        times: Start of each segment [ns]; the first is minus infinity.
        states: +1, -1 or 0 (off) in each segment, as driven onto the pair; the first is 0.
        edges: Instants at which the level toggles [ns] for a receiver that follows the sender
            without doubt and reads 1 while nobody drives.
    """

    node: int
    times: Times
    states: Levels
    edges: Times


def driver_track(
    node: int,
    data: bytes,
    settings: LineSettings,
    *,
    on_ns: float,
    start_ns: float,
    off_ns: float,
    bit_ns: float,
    zeros_only: bool,
    swapped: bool,
    on_glitch_ns: float = 0.0,
    off_glitch_ns: float = 0.0,
) -> Track:
    """What a driver does while its UART sends.

    Args:
        node: Number of the node.
        data: Bytes it sends, back to back.
        settings: Format.
        on_ns: The driver is switched on [ns]; it drives the idle 1 until `start_ns`.
        start_ns: Start of the first start bit [ns].
        off_ns: The driver is switched off [ns]; before the end of the bytes it cuts them.
        bit_ns: Duration of a bit by the sender's clock [ns].
        zeros_only: Only 0 bits are driven.
        swapped: The wires are swapped at this node.
        on_glitch_ns: It drives 0 this long when switched on, within the lead [ns].
        off_glitch_ns: It drives 0 this long before it is switched off [ns].
    """
    changes, levels = transmit(data, settings, start_ns, bit_ns)
    usual = not (zeros_only or on_glitch_ns or off_glitch_ns)
    if usual and off_ns > changes[-1]:
        times = np.empty(len(changes) + 3)
        times[0], times[1], times[2:-1], times[-1] = -math.inf, on_ns, changes, off_ns
        states = np.empty(len(times), dtype=np.int8)
        states[0], states[1], states[2:-1], states[-1] = 0, 1, levels, 0
        states[2:-1] *= 2
        states[2:-1] -= 1
        return Track(node, times, -states if swapped else states, changes)
    if zeros_only:
        states = (levels - 1).astype(np.int8)
        on = 0
    else:
        states = (2 * levels - 1).astype(np.int8)
        on = 1
    kept = changes < off_ns
    head, tail = [(-math.inf, 0)], [(off_ns, 0)]
    if on_glitch_ns > 0.0:
        head.append((on_ns, -1))
        on_ns = min(on_ns + on_glitch_ns, start_ns)
    head.append((on_ns, on))
    if off_glitch_ns > 0.0:
        tail.insert(0, (off_ns - off_glitch_ns, -1))
    times = np.concatenate(([t for t, _ in head], changes[kept], [t for t, _ in tail]))
    states = np.concatenate(([s for _, s in head], states[kept], [s for _, s in tail]))
    states = states.astype(np.int8)
    low = states < 0
    edges = times[1:][low[1:] != low[:-1]]
    return Track(node, times, -states if swapped else states, edges)


@dataclass(frozen=True, slots=True)
class Added:
    """A voltage that is added to the line, whoever drives.

    Attributes:
        times: Start of each segment [ns]; the first is minus infinity.
        volts: Added differential voltage in each segment [V]; the first and last are 0.
    """

    times: Times
    volts: Volts


def burst(
    start_ns: float, length_ns: float, piece_ns: float, volts: float, generator: np.random.Generator
) -> Added:
    """A noise burst: pieces of plus or minus `volts` at random.

    Args:
        start_ns: Start [ns].
        length_ns: Length [ns].
        piece_ns: Length of one piece [ns].
        volts: Size [V].
        generator: Source of the signs.
    """
    pieces = max(1, math.ceil(length_ns / piece_ns))
    times = start_ns + np.minimum(np.arange(pieces + 1) * piece_ns, length_ns)
    signs = generator.integers(0, 2, pieces) * 2 - 1
    return Added(
        np.concatenate(([-math.inf], times)), np.concatenate(([0.0], signs * volts, [0.0]))
    )


def dip(start_ns: float, length_ns: float, volts: float, recovery_ns: float) -> Added:
    """A sag of an undriven pair below zero, and its return.

    Args:
        start_ns: Start [ns].
        length_ns: Length [ns].
        volts: Depth [V]; the return overshoots by as much.
        recovery_ns: Length of the overshoot [ns].
    """
    end = start_ns + length_ns
    times = np.array([-math.inf, start_ns, end, end + recovery_ns])
    return Added(times, np.array([0.0, -volts, volts, 0.0]))


@dataclass(frozen=True, slots=True)
class Windows:
    """Periods in which something holds.

    Attributes:
        edges: Start, end, start, end ... [ns], ascending.
    """

    edges: Times

    def at(self, times: Times) -> npt.NDArray[np.bool_]:
        """Whether it holds at each of the times [ns]."""
        inside: npt.NDArray[np.bool_] = (np.searchsorted(self.edges, times, "right") & 1) == 1
        return inside


def beyond_common_mode(
    offset_v: float,
    amplitude_v: float,
    frequency_hz: float,
    limit_v: float,
    begin: float,
    end: float,
) -> Windows:
    """When ``offset + amplitude * sin(2 pi f t)`` is beyond plus or minus the limit.

    Args:
        offset_v: Constant ground difference [V].
        amplitude_v: Alternating ground difference [V peak].
        frequency_hz: Its frequency [Hz].
        limit_v: Limit of the receiver [V].
        begin: Start of the window of interest [ns].
        end: Its end [ns].
    """
    period = 1e9 / frequency_hz
    edges: list[float] = []
    for sign in (1.0, -1.0):
        # sign * v > limit, with sign * sin peaking at a quarter or at three quarters of a period.
        if amplitude_v == 0.0:
            if sign * offset_v > limit_v:
                edges += [begin - 1.0, end + 1.0]
            continue
        reach = (limit_v - sign * offset_v) / amplitude_v
        if reach >= 1.0:
            continue
        if reach <= -1.0:
            edges += [begin - 1.0, end + 1.0]
            continue
        half = period * math.acos(reach) / (2.0 * math.pi)
        peak = period * (0.25 if sign > 0 else 0.75)
        for n in range(math.floor(begin / period) - 1, math.ceil(end / period) + 1):
            edges += [n * period + peak - half, n * period + peak + half]
    pairs = sorted(zip(edges[::2], edges[1::2], strict=True))
    return Windows(np.array([edge for pair in pairs for edge in pair], dtype=np.float64))


@dataclass(frozen=True, slots=True)
class Output:
    """Levels out of a receiver.

    Attributes:
        edges_ns: Instants at which the level toggles [ns], ascending.
        raw_times: Start of each segment of the comparator's own output [ns].
        raw_levels: Comparator's own output in it, whether or not it is switched through.
    """

    edges_ns: Times
    raw_times: Times
    raw_levels: Levels

    def raw_before(self, t_ns: float, initial: int) -> int:
        """Output of the comparator just before `t_ns`."""
        index = int(np.searchsorted(self.raw_times, t_ns, "left")) - 1
        return initial if index < 0 else int(self.raw_levels[index])


# With more senders than this a table of all combinations is larger than what occurs.
_MOST_IN_A_TABLE = 3


def _line_voltage(tracks: Sequence[Track], table: LevelTable, node: int, times: Times) -> Volts:
    """Voltage at a node while the drivers do what the tracks tell [V]."""
    # What one driver does in turn is one thing, so a long talk of two is still nine combinations.
    senders: dict[int, Levels] = {}
    for track in tracks:
        states = track.states[track.times.searchsorted(times, "right") - 1]
        before = senders.get(track.node)
        senders[track.node] = states if before is None else np.where(states, states, before)
    code = np.zeros(len(times), dtype=np.int64)
    for states in reversed(senders.values()):
        code *= 3
        code += states
        code += 1
    if len(senders) <= _MOST_IN_A_TABLE:
        return table.combinations(tuple(senders), node)[code]
    met, places = np.unique(code, return_inverse=True)
    volts = np.array([table.combination(tuple(senders), node, c) for c in met.tolist()])
    found: Volts = volts[places]
    return found


@dataclass(frozen=True, slots=True)
class Echoes:
    """What the ends of a cable make of each edge: delayed copies of the undisturbed voltage.

    Attributes:
        delays_ns: How late each copy comes [ns].
        weights: Its share; together they are 1.
    """

    delays_ns: tuple[float, ...] = (0.0,)
    weights: tuple[float, ...] = (1.0,)


_NO_ECHOES = Echoes()
# Copies smaller than this move no comparator.
_SMALLEST_ECHO = 0.005


@cache
def echoes(round_trip_ns: float, reflection: float) -> Echoes:
    """Reflections on a cable with one open end, as a listener there sees them.

    After k round trips an edge has settled to ``1 - (-reflection) ** k`` of its size (lattice
    diagram of a line driven below its impedance, text-book), so that an edge comes one round trip
    late and then rings around its final level.

    Args:
        round_trip_ns: Time to the end and back [ns]; 0 for no reflections.
        reflection: What is left of a wave after a round trip, 0 to below 1.
    """
    if round_trip_ns <= 0.0:
        return _NO_ECHOES
    weights = [1.0 + reflection]
    while abs(weights[-1]) > _SMALLEST_ECHO:
        weights.append(-reflection * weights[-1])
    weights[-1] += 1.0 - sum(weights)
    return Echoes(tuple((k + 1) * round_trip_ns for k in range(len(weights))), tuple(weights))


def listen(
    tracks: Sequence[Track],
    added: Sequence[Added],
    table: LevelTable,
    node: int,
    swapped: bool,
    comparator: Comparator,
    begin_ns: float,
    end_ns: float,
    raw: int,
    level: int,
    generator: np.random.Generator,
    *,
    sample_ns: float,
    muted: Windows | None = None,
    low: Windows | None = None,
    frozen: Windows | None = None,
    echoes: Echoes = _NO_ECHOES,
) -> Output:
    """Level at the output of one receiver between two instants.

    Args:
        tracks: All drivers that are on at some time in the window.
        added: Disturbances in the window.
        table: Level table of the line.
        node: Number of the receiver's node.
        swapped: Its wires are swapped.
        comparator: Its comparator.
        begin_ns: Start of the window [ns].
        end_ns: End of the window [ns].
        raw: Output of the comparator just before.
        level: Level after muting just before.
        generator: Source of the noise.
        sample_ns: Spacing of the noise samples [ns].
        muted: Periods in which the receiver is switched off and its output reads 1.
        low: Periods in which its output reads 0 whatever the line does.
        frozen: Periods in which the comparator cannot move.
        echoes: What the ends of the cable add.
    """
    windows = [w.edges for w in (muted, low, frozen) if w is not None]
    times = np.concatenate(
        (
            *(t.times + d for t in tracks for d in echoes.delays_ns),
            *(a.times for a in added),
            *windows,
            [begin_ns],
        )
    )
    times = times[(times >= begin_ns) & (times < end_ns)]
    times.sort()
    if len(echoes.delays_ns) == 1:
        volts = _line_voltage(tracks, table, node, times)
    else:
        volts = np.zeros(len(times))
        for delay, weight in zip(echoes.delays_ns, echoes.weights, strict=True):
            volts += weight * _line_voltage(tracks, table, node, times - delay)
    quiet = np.full(len(times), not table.is_stuck)
    for track in tracks:
        # From the driver switched on to the last of its edges, wherever it lets go in between.
        on, off = track.times[min(1, len(track.times) - 1)], track.times[-1]
        quiet &= (times < on) | (times >= off + echoes.delays_ns[-1])
    for addition in added:
        extra = addition.volts[np.searchsorted(addition.times, times, "right") - 1]
        volts += extra
        quiet &= extra == 0.0
    if swapped:
        volts = -volts
    raw_times, raw_levels = compare(
        times,
        volts,
        end_ns,
        comparator,
        raw,
        generator,
        sample_ns=sample_ns,
        quiet=quiet,
        frozen=None if frozen is None else frozen.at(times),
    )
    levels = raw_levels
    if muted is not None:
        levels = np.where(muted.at(raw_times), np.int8(1), levels)
    if low is not None:
        levels = np.where(low.at(raw_times), np.int8(0), levels)
    toggles = np.empty(len(levels), dtype=np.bool_)
    toggles[0] = levels[0] != level
    np.not_equal(levels[1:], levels[:-1], out=toggles[1:])
    return Output(raw_times[toggles], raw_times, raw_levels)


def windows(periods: Sequence[tuple[float, float]]) -> Windows:
    """Windows from (start, end) pairs [ns], ascending and not overlapping."""
    return Windows(np.array([edge for period in periods for edge in period], dtype=np.float64))
