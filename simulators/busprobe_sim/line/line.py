"""The multi-drop line: events in virtual time, levels, and a log of every transmission.

1. Time is integer nanoseconds from 0 and moves only from event to event, or to where a port asks.
2. Everything random comes from the seed, in a stream of its own for each node.
3. The line is half-duplex RS-485: a node that drives may or may not hear itself, and nothing stops
   two nodes from driving at once. What each receiver then makes of it is `line.hearing`.

4. Reflections are left out unless asked for (`round_trip_us`): on domestic lengths they have died
   out long before the middle of a bit.

Not modelled: propagation delay between nodes and rise times (short against a bit up to 115200 Bd on
domestic lengths), thermal shutdown of fighting drivers, drivers that droop under load.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable
from itertools import count
from typing import TYPE_CHECKING

from busprobe.model.line import NS_PER_S
from busprobe_sim.line.parameters import (
    LineParameters,
    MasterParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.line.things import Disturbance, LogEntry, Thing, Transmission
from busprobe_sim.physics.chance import array_stream, stream
from busprobe_sim.physics.levels import UNIT_LOAD_OHM, LevelTable
from busprobe_sim.physics.waveform import burst, dip

if TYPE_CHECKING:
    from busprobe_sim.line.master import ForeignMaster
    from busprobe_sim.line.node import Node
    from busprobe_sim.line.port import Port
    from busprobe_sim.line.station import Station
    from busprobe_sim.meters.base import Server

NEVER = 1 << 62
# Things that ended this long before every receiver's place can be forgotten; more than a character
# at 300 Bd.
_KEPT_NS = 100_000_000
_TIDY_ABOVE = 8
# A port that nobody reads is worked off by the line itself before this many things pile up.
_CATCH_UP_ABOVE = 128
_MICROSECOND_NS = 1_000.0
_MILLISECOND_NS = 1_000_000.0
# An undriven pair below this is at the mercy of leakage and noise (TIA/EIA-485-A: 200 mV).
_UNDEFINED_V = 0.2
# A node that is not connected.
_NO_LOAD_OHM = 1e12
_RECOVERY_NS = 5_000.0


class Line:
    """A line and everything on it.

    Args:
        parameters: The cable and what disturbs it.
        seed: Makes everything random repeatable.

    Attributes:
        now_ns: Virtual time [ns].
        log: Every transmission so far, in order.
        things: Transmissions and disturbances that some receiver may still have to look at.
    """

    def __init__(self, parameters: LineParameters | None = None, seed: int = 0) -> None:
        self.parameters = parameters or LineParameters()
        self.seed = seed
        self.now_ns = 0
        self.log: list[LogEntry] = []
        self.things: list[Thing] = []
        self.nodes: list[Node] = []
        self._ports: list[Port] = []
        self._events: list[tuple[int, int, Callable[[], None]]] = []
        self._numbers = count()
        self._levels: LevelTable | None = None
        self._quiet_since = 0.0
        self._sag_until = 0.0
        self._random = stream(seed, "line")
        self._generator = array_stream(seed, "line")
        if self.parameters.burst_rate_hz > 0.0:
            self._schedule_burst()
        if self.parameters.float_rate_hz > 0.0:
            self._schedule_float()

    # -- what hangs on it

    def attach(self, node: Node) -> int:
        """Connect a node; returns its number."""
        self.nodes.append(node)
        self._changed(self.nodes[:-1])
        return len(self.nodes) - 1

    def disconnect(self, node: Node) -> None:
        """Take the wires of a node off the line: it neither hears, nor drives, nor loads it."""
        self._catch_up()
        node.connected = False
        sending = node.sending
        if sending is not None and sending.end_ns > self.now_ns:
            sending.cut(self.now_ns)
        self._changed(self.nodes)

    def connect(self, node: Node) -> None:
        """Put the wires of a node back on; what was said meanwhile it has not heard."""
        self._catch_up()
        node.connected = True
        node.hearing.take()
        node.hearing.restart(self.now_ns)
        self._changed(self.nodes)

    def _catch_up(self) -> None:
        for node in self.nodes:
            node.hearing.advance(self.now_ns)

    def _changed(self, nodes: Iterable[Node]) -> None:
        """Another set of nodes makes other levels."""
        self._levels = None
        for node in nodes:
            node.hearing.forget_levels()

    def add_station(self, parameters: StationParameters, server: Server) -> Station:
        """Connect a device."""
        from busprobe_sim.line.station import Station

        return Station(self, parameters, server)

    def add_master(self, parameters: MasterParameters) -> ForeignMaster:
        """Connect a master that polls on its own."""
        from busprobe_sim.line.master import ForeignMaster

        return ForeignMaster(self, parameters)

    def open_port(self, parameters: PortParameters | None = None) -> Port:
        """Connect a host's adapter."""
        from busprobe_sim.line.port import Port

        port = Port(self, parameters or PortParameters())
        self._ports.append(port)
        return port

    # -- levels

    @property
    def levels(self) -> LevelTable:
        """Voltages for each combination of driver states."""
        if self._levels is None:
            nodes = [node.parameters for node in self.nodes]
            stuck = []
            loads = []
            for index, node in enumerate(nodes):
                connected = self.nodes[index].connected
                loads.append(UNIT_LOAD_OHM / node.unit_load if connected else _NO_LOAD_OHM)
                if node.stuck is not None and connected:
                    high = bool(node.stuck) != node.swapped
                    stuck.append((index, 1 if high else -1))
            self._levels = LevelTable(
                [node.position_m for node in nodes],
                [node.driver for node in nodes],
                loads,
                loop_ohm_per_m=self.parameters.loop_ohm_per_m,
                terminators=self.parameters.terminators,
                biases=self.parameters.biases,
                stuck=stuck,
            )
        return self._levels

    def idle_v(self, node: Node) -> float:
        """What a node's receiver sees while nobody drives [V], swapped wires included."""
        volts = self.levels.voltages()[node.index]
        return -volts if node.parameters.swapped else volts

    def driven_v(self, sender: Node, level: int, node: Node) -> float:
        """What a node's receiver sees while one sender alone drives a level (0 or 1) [V]."""
        sign = 1 if bool(level) != sender.parameters.swapped else -1
        volts = self.levels.voltages(((sender.index, sign),))[node.index]
        return -volts if node.parameters.swapped else volts

    # -- time

    @property
    def next_event_ns(self) -> int:
        """When the next event is due [ns], or far away."""
        return self._events[0][0] if self._events else NEVER

    def schedule(self, t_ns: int, event: Callable[[], None]) -> None:
        """Let something happen at an instant [ns], or now when that has passed."""
        heapq.heappush(self._events, (max(t_ns, self.now_ns), next(self._numbers), event))

    def step(self) -> None:
        """Let the next event happen."""
        t_ns, _, event = heapq.heappop(self._events)
        self.now_ns = max(self.now_ns, t_ns)
        event()

    def run_until(self, t_ns: int) -> None:
        """Let everything happen up to an instant [ns]."""
        while self.next_event_ns <= t_ns:
            self.step()
        self.now_ns = max(self.now_ns, t_ns)

    # -- what happens on it

    def transmit(self, node: Node, data: bytes, start_ns: int) -> int:
        """Let a node send bytes back to back.

        The driver is switched on before the first bit as the node's lead asks. Bytes that follow
        while the node is still sending are appended without a gap.

        Args:
            node: The sender.
            data: The bytes, at least one.
            start_ns: Earliest start of the first bit [ns].

        Returns:
            Start of the first bit [ns].
        """
        parameters, bit = node.parameters, node.bit_ns
        before = node.sending
        if before is not None and before.end_ns > start_ns - parameters.lead_bits * bit:
            start = max(before.last_ns, float(start_ns))
            begin = math.ceil(before.last_ns)
        else:
            begin = max(self.now_ns, round(start_ns - parameters.lead_bits * bit))
            start = max(float(start_ns), begin + parameters.lead_bits * bit)
        last = start + len(data) * node.settings.bits_per_character * bit
        thing = Transmission(
            node,
            bytes(data),
            node.settings,
            bit,
            begin,
            start,
            last,
            last + (parameters.trail_bits + parameters.off_glitch_bits) * bit,
        )
        node.sending = thing
        if begin <= self.now_ns:
            self._begin(thing, before)
        else:
            self.schedule(begin, lambda: self._begin(thing, before))
        return round(start)

    def _begin(self, thing: Transmission, before: Transmission | None) -> None:
        node = thing.node
        if not node.connected:
            return
        self.log.append(
            LogEntry(
                node.name, round(thing.start_ns), round(thing.last_ns), thing.data, thing.settings
            )
        )
        if node.parameters.dead_driver:
            return
        if before is not None and before.end_ns > thing.begin_ns:
            before.cut(thing.begin_ns)
        self._quiet_since = max(self._quiet_since, thing.end_ns)
        self._add(thing)

    def _add(self, thing: Thing) -> None:
        for port in self._ports:
            port.hearing.rewind(self.now_ns)
        if len(self.things) > _TIDY_ABOVE:
            self._tidy()
        self.things.append(thing)
        for node in self.nodes:
            if node.connected:
                node.noticed(thing)

    def _tidy(self) -> None:
        if len(self.things) > _CATCH_UP_ABOVE:
            self._catch_up()
        done = min(self.now_ns, *(node.hearing.cursor_ns for node in self.nodes)) - _KEPT_NS
        self.things = [x for x in self.things if x.end_ns >= done]

    @property
    def busy_until_ns(self) -> float:
        """End of the last transmission that has begun [ns]."""
        return self._quiet_since

    # -- disturbances

    def _schedule_burst(self) -> None:
        wait_s = self._random.expovariate(self.parameters.burst_rate_hz)
        self.schedule(self.now_ns + round(wait_s * NS_PER_S), self._burst)

    def _burst(self) -> None:
        shortest, longest = self.parameters.burst_us
        self.disturb_burst(self._random.uniform(shortest, longest))
        self._schedule_burst()

    def disturb_burst(self, length_us: float) -> None:
        """Put a noise burst onto the pair now [us]."""
        length_ns = length_us * _MICROSECOND_NS
        added = burst(
            self.now_ns,
            length_ns,
            self.parameters.burst_piece_us * _MICROSECOND_NS,
            self.parameters.burst_v,
            self._generator,
        )
        self._add(Disturbance(self.now_ns, self.now_ns + length_ns, added))

    def _schedule_float(self) -> None:
        wait_s = self._random.expovariate(self.parameters.float_rate_hz)
        self.schedule(self.now_ns + round(wait_s * NS_PER_S), self._float)

    def _float(self) -> None:
        held_ns = self._random.expovariate(1.0) * self.parameters.float_hold_ms * _MILLISECOND_NS
        length_ms = self._random.uniform(*self.parameters.float_ms)
        undriven = self.now_ns > max(self._quiet_since + held_ns, self._sag_until)
        if undriven and self.nodes and abs(self.levels.voltages()[0]) < _UNDEFINED_V:
            self.disturb_sag(length_ms)
        self._schedule_float()

    def disturb_sag(self, length_ms: float) -> None:
        """Let an undriven pair sag to 0 now and come back [ms]."""
        length_ns = length_ms * _MILLISECOND_NS
        self._sag_until = self.now_ns + length_ns + _RECOVERY_NS
        added = dip(self.now_ns, length_ns, self.parameters.float_v, _RECOVERY_NS)
        self._add(Disturbance(self.now_ns, self._sag_until, added))
