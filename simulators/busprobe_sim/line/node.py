"""Something connected to the line: a transceiver, a UART and a name."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busprobe.model.line import LineSettings
from busprobe_sim.line.hearing import Hearing
from busprobe_sim.line.parameters import NodeParameters
from busprobe_sim.line.things import Thing, Transmission
from busprobe_sim.physics.uart import UartTiming

if TYPE_CHECKING:
    from busprobe_sim.line.line import Line


class Node:
    """A node; stations, masters and ports are nodes with habits.

    Attributes:
        line: The line it is on.
        index: Its number on the line.
        name: Its name in the log.
        parameters: Its transceiver.
        settings: Rate and format in force.
        bits_per_character: Start, data, parity and stop bits of a character [bit].
        bit_ns: Duration of a bit by its own clock [ns].
        timing: How its UART samples.
        hearing: What its receiver makes of the line.
        connected: Whether its wires are on the line; see `Line.disconnect`.
    """

    def __init__(self, line: Line, name: str, parameters: NodeParameters) -> None:
        self.line = line
        self.name = name
        self.parameters = parameters
        self.connected = True
        self.index = line.attach(self)
        self._set(parameters.settings)
        self.hearing = Hearing(line, self)
        self.sending: Transmission | None = None

    def _set(self, settings: LineSettings) -> None:
        self.settings = settings
        self.bits_per_character = settings.bits_per_character
        self.timing = UartTiming(
            settings, self.parameters.clock_error, self.parameters.after_framing_error
        )
        self.bit_ns = self.timing.bit_ns

    def configure(self, settings: LineSettings) -> None:
        """Change rate and format at once; a character in progress is lost."""
        self.hearing.advance(self.line.now_ns)
        self._set(settings)
        self.hearing.restart(self.line.now_ns)

    def noticed(self, thing: Thing) -> None:
        """Something begins on the line."""
