"""What the screens need of a session: the only thing through which they act."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from busprobe.diagnosis.balance import MeterRole
    from busprobe.diagnosis.wiring import KnownLoad, MeterSystem
    from busprobe.model.line import LineSettings, Parity
    from busprobe.session.bench import BenchWish
    from busprobe.session.events import Event
    from busprobe.session.handover import VerifyWish
    from busprobe.session.wishes import ExportWish, ReportWish, SearchWish, SeriesWish


@dataclass(frozen=True, slots=True)
class PortChoice:
    """A link that can be offered for choice.

    Attributes:
        argument: The LINK argument that opens it.
        title: What it is, in words.
        advice: What stands in its way, or "".
        kind: "port", "host", "practice" or "recording".
        known: What is known of it, as name and value.
        notes: What to know or to do, as cause and next step.
    """

    argument: str
    title: str
    advice: str = ""
    kind: str = "port"
    known: tuple[tuple[str, str], ...] = ()
    notes: tuple[tuple[str, str], ...] = ()


# Offered among the links: exercises on simulated buses.
EXERCISES = PortChoice("training", "Exercises: find the fault", kind="practice")


class KnownPort(Protocol):
    """What is known of a serial port; texts may come from the adapter."""

    @property
    def device(self) -> str:
        """Name to open it by."""

    @property
    def description(self) -> str:
        """What the adapter calls itself, or ""."""

    @property
    def usb_id(self) -> str:
        """Vendor and product of a USB adapter, or ""."""

    @property
    def serial_number(self) -> str:
        """Serial number of the adapter, or ""."""

    @property
    def by_id(self) -> str:
        """Name that survives replugging, or ""."""

    @property
    def driver(self) -> str:
        """Name of the driver, or ""."""

    @property
    def latency_timer_ms(self) -> int | None:
        """How long the adapter may hold received bytes back [ms], None if unknown."""

    @property
    def character_marks(self) -> str:
        """How far its driver tells line errors of single characters, as a word."""

    @property
    def group(self) -> str:
        """Group that may open it, or ""."""

    @property
    def permitted(self) -> bool | None:
        """Whether this user may open it, None if unknown."""

    @property
    def busy(self) -> bool | None:
        """Whether another program has it open, None if unknown."""


class Advice(Protocol):
    """Something to know or to do about the ports of this computer."""

    @property
    def device(self) -> str | None:
        """The port it concerns, None for the whole computer."""

    @property
    def cause(self) -> str:
        """What is the matter."""

    @property
    def next_step(self) -> str:
        """What to do."""


class Look(Protocol):
    """One look at this computer."""

    @property
    def area(self) -> str:
        """What was looked at."""

    @property
    def good(self) -> bool | None:
        """True well, False to be mended, None worth knowing."""

    @property
    def found(self) -> str:
        """What was found."""

    @property
    def mend(self) -> str:
        """What to do, or ""."""


class HostBook(Protocol):
    """Hosts that were reached before."""

    def listed(self) -> Sequence[str]:
        """LINK arguments, the one used last first."""

    def remember(self, argument: str) -> None:
        """Put a host in front."""


def _no_advice(_: Sequence[KnownPort]) -> Sequence[Advice]:
    return ()


def _no_recordings() -> Sequence[tuple[str, str]]:
    return ()


def _no_looks() -> Sequence[Look]:
    return ()


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is known of this computer beside its ports.

    Attributes:
        hosts: Hosts that were reached before, None where they are not kept.
        recordings: File and title of each recording, the newest first.
        looks: Looks at this computer: terminal, ports, clock, disk.
        advise: What stands in the way of these ports, and what to do about it.
    """

    hosts: HostBook | None = None
    recordings: Callable[[], Sequence[tuple[str, str]]] = _no_recordings
    looks: Callable[[], Sequence[Look]] = _no_looks
    advise: Callable[[Sequence[KnownPort]], Sequence[Advice]] = _no_advice


def port_choice(port: KnownPort, advices: Sequence[Advice] = ()) -> PortChoice:
    """How a port is offered."""
    advice = ""
    if port.permitted is False:
        advice = f"no permission: join group {port.group}" if port.group else "no permission"
    elif port.busy:
        advice = "another program has it open"
    latency = "" if port.latency_timer_ms is None else f"{port.latency_timer_ms} ms"
    usable = {True: "yes", False: "no", None: "not known"}[port.permitted]
    known = (
        ("adapter", port.description), ("USB id", port.usb_id),
        ("serial number", port.serial_number), ("driver", port.driver),
        ("stable name", port.by_id), ("holds bytes back", latency),
        ("error marks", port.character_marks.replace("-", " ")), ("may be used", usable),
    )  # fmt: skip
    return PortChoice(
        port.device,
        port.description or "serial port",
        advice,
        known=tuple((name, value) for name, value in known if value),
        notes=tuple((a.cause, a.next_step) for a in advices if a.device in (port.device, None)),
    )


class Session(Protocol):
    """A running job. Every call returns at once; what comes of it is told as events.

    The listener is called on the session's own thread.
    """

    @property
    def changing(self) -> bool:
        """Whether something is under way that writes to a device, and must come to its end."""

    def subscribe(self, listener: Callable[[Event], None]) -> None:
        """Have `listener` told of every event."""

    def open(
        self,
        argument: str,
        settings: LineSettings | None = None,
        record: Path | None = None,
        *,
        kept: bool = True,
    ) -> None:
        """Open a link; without settings they are searched for."""

    def find(
        self, *, fast: bool = False, insist: bool = False, wish: SearchWish | None = None
    ) -> None:
        """Ask every address and identify who answers; `insist` although another master talks."""

    def check_addresses(self, addresses: tuple[int, ...] = ()) -> None:
        """Find out whether more than one device answers at these (or all known) addresses."""

    def check_wiring(
        self,
        address: int,
        load: KnownLoad | None,
        *,
        system: MeterSystem | None = None,
        passive_s: float = 180.0,
    ) -> None:
        """Prove the wiring of a meter under a known load, or by watching where there is none."""

    def listen(self, seconds: float, settings: LineSettings | None = None) -> None:
        """Hear what others say; nothing is sent."""

    def check_line(
        self,
        addresses: tuple[int, ...] = (),
        soak_s: float = 0.0,
        *,
        insist: bool = False,
        expected: tuple[int, ...] = (),
        plan_file: Path | None = None,
    ) -> None:
        """Find what is wrong with the line, then count for so long.

        Who is expected, or planned in a file, is asked too: a silent one becomes a finding.
        """

    def check_balance(
        self, meters: Mapping[int, tuple[str, MeterRole]], duration_s: float, curtail: bool
    ) -> None:
        """See whether the meters of the site add up."""

    def verify(self, wish: VerifyWish) -> None:
        """Hold the open line against a plan."""

    def plan_tour(self, address: int, only: tuple[LineSettings, ...] = ()) -> None:
        """Find out what measuring a meter at every line setting would write."""

    def bench(self, wish: BenchWish) -> None:
        """Test one meter on the table."""

    def write_plan(self, file: Path | None = None) -> None:
        """Write a first plan from what was found."""

    def write_report(self, wish: ReportWish | None = None) -> None:
        """Write the visit down."""

    def judge_series(self, wish: SeriesWish) -> None:
        """Judge a recorded series; needs no link."""

    def export(self, wish: ExportWish) -> None:
        """Write a recording as files for other programs; needs no link."""

    def plan_change(
        self,
        address: int,
        new_address: int | None,
        new_baud: int | None = None,
        new_parity: Parity | None = None,
        new_stop_bits: int | None = None,
    ) -> None:
        """Find out what a change would write, and whether it may be written now."""

    def change(self) -> None:
        """Write what was planned and confirmed."""

    def separate(
        self, address: int, new_address: int | None = None, plan_file: Path | None = None
    ) -> None:
        """Guide the separation of the meters that share an address."""

    def confirm(self, yes: bool) -> None:
        """The technician confirms, or refuses, the change that a separation has come to."""

    def watch(self, addresses: tuple[int, ...], period_s: float = 1.0) -> None:
        """Read live values until stopped or until another step starts."""

    def answer(self, done: bool) -> None:
        """The technician did what was asked (or refuses to)."""

    def let_hands(self) -> None:
        """Simulated hands do what was asked (training and demonstration)."""

    def stop(self) -> None:
        """Stop the running step at once."""

    def close(self) -> None:
        """Close the link and end the session."""
