"""What the screens need of a session: the only thing through which they act."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from busprobe.diagnosis.balance import MeterRole
    from busprobe.diagnosis.wiring import KnownLoad
    from busprobe.model.line import LineSettings
    from busprobe.session.events import Event
    from busprobe.session.handover import VerifyWish


@dataclass(frozen=True, slots=True)
class PortChoice:
    """A link that can be offered for choice.

    Attributes:
        argument: The LINK argument that opens it.
        title: What it is, in words.
        advice: What stands in its way, or "".
    """

    argument: str
    title: str
    advice: str = ""


class KnownPort(Protocol):
    """What is known of a serial port; texts may come from the adapter."""

    @property
    def device(self) -> str:
        """Name to open it by."""

    @property
    def description(self) -> str:
        """What the adapter calls itself, or ""."""

    @property
    def group(self) -> str:
        """Group that may open it, or ""."""

    @property
    def permitted(self) -> bool | None:
        """Whether this user may open it, None if unknown."""

    @property
    def busy(self) -> bool | None:
        """Whether another program has it open, None if unknown."""


def port_choice(port: KnownPort) -> PortChoice:
    """How a port is offered."""
    advice = ""
    if port.permitted is False:
        advice = f"no permission: join group {port.group}" if port.group else "no permission"
    elif port.busy:
        advice = "another program has it open"
    return PortChoice(port.device, port.description or "serial port", advice)


class Session(Protocol):
    """A running job. Every call returns at once; what comes of it is told as events.

    The listener is called on the session's own thread.
    """

    def subscribe(self, listener: Callable[[Event], None]) -> None:
        """Have `listener` told of every event."""

    def open(self, argument: str, settings: LineSettings | None = None) -> None:
        """Open a link; without settings they are searched for."""

    def find(self, *, fast: bool = False) -> None:
        """Ask every address and identify who answers."""

    def check_addresses(self, addresses: tuple[int, ...] = ()) -> None:
        """Find out whether more than one device answers at these (or all known) addresses."""

    def check_wiring(self, address: int, load: KnownLoad) -> None:
        """Prove the wiring of a meter under a known load."""

    def listen(self, seconds: float, settings: LineSettings | None = None) -> None:
        """Hear what others say; nothing is sent."""

    def check_line(self, addresses: tuple[int, ...] = (), soak_s: float = 0.0) -> None:
        """Find what is wrong with the line, then count for so long."""

    def check_balance(
        self, meters: Mapping[int, tuple[str, MeterRole]], duration_s: float, curtail: bool
    ) -> None:
        """See whether the meters of the site add up."""

    def verify(self, wish: VerifyWish) -> None:
        """Hold the open line against a plan."""

    def write_report(self, verification: Path | None = None) -> None:
        """Write the visit down."""

    def plan_change(self, address: int, new_address: int) -> None:
        """Find out what another address would write; nothing is written."""

    def change(self) -> None:
        """Write what was planned and confirmed."""

    def watch(self, addresses: tuple[int, ...]) -> None:
        """Read live values until stopped or until another step starts."""

    def answer(self, done: bool) -> None:
        """The technician did what was asked (or refuses to)."""

    def let_hands(self) -> None:
        """Simulated hands do what was asked (training and demonstration)."""

    def stop(self) -> None:
        """Stop the running step at once."""

    def close(self) -> None:
        """Close the link and end the session."""
