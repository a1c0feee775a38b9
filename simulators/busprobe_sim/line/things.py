"""What happens on a line over time: transmissions and disturbances."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from busprobe.model.line import LineSettings
from busprobe_sim.physics.waveform import Added, Track, driver_track

if TYPE_CHECKING:
    from busprobe_sim.line.node import Node


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One transmission, as the sender meant it.

    Attributes:
        sender: Name of the node.
        t_ns: Start of the first bit [ns].
        t_end_ns: End of the last bit [ns].
        data: The bytes.
        settings: Rate and format they were sent with.
    """

    sender: str
    t_ns: int
    t_end_ns: int
    data: bytes
    settings: LineSettings


@dataclass(slots=True, eq=False)
class Transmission:
    """Bytes that one node sends back to back.

    Attributes:
        node: The sender.
        data: The bytes.
        settings: Rate and format.
        bit_ns: Duration of a bit by the sender's clock [ns].
        begin_ns: The driver is switched on [ns].
        start_ns: Start of the first bit [ns].
        last_ns: End of the last bit [ns].
        end_ns: The driver is switched off [ns].
    """

    node: Node
    data: bytes
    settings: LineSettings
    bit_ns: float
    begin_ns: int
    start_ns: float
    last_ns: float
    end_ns: float
    _track: Track | None = None
    _times: dict[int, tuple[list[int], list[int]]] = field(default_factory=dict)

    @property
    def track(self) -> Track:
        """What the driver does."""
        if self._track is None:
            self._track = driver_track(
                self.node.index,
                self.data,
                self.settings,
                on_ns=self.begin_ns,
                start_ns=self.start_ns,
                off_ns=self.end_ns,
                bit_ns=self.bit_ns,
                zeros_only=self.node.parameters.driver.zeros_only,
                swapped=self.node.parameters.swapped,
                on_glitch_ns=self.node.parameters.on_glitch_bits * self.bit_ns,
                off_glitch_ns=self.node.parameters.off_glitch_bits * self.bit_ns,
            )
        return self._track

    def cut(self, end_ns: float) -> None:
        """Switch the driver off earlier [ns]."""
        self.end_ns = end_ns
        self._track = None

    def character_times(self, receiver_bits: int) -> tuple[list[int], list[int]]:
        """Start and end of each character [ns] for a receiver with so many bits per character."""
        kept = self._times.get(receiver_bits)
        if kept is None:
            character = self.settings.bits_per_character * self.bit_ns
            length = min(receiver_bits, self.settings.bits_per_character) * self.bit_ns
            starts = [self.start_ns + i * character for i in range(len(self.data))]
            kept = [round(t) for t in starts], [round(t + length) for t in starts]
            self._times[receiver_bits] = kept
        return kept


@dataclass(slots=True, eq=False)
class Disturbance:
    """A voltage that gets onto the pair from outside.

    Attributes:
        begin_ns: Start [ns].
        end_ns: End [ns].
        added: The voltage over time.
    """

    begin_ns: int
    end_ns: float
    added: Added


Thing = Transmission | Disturbance
