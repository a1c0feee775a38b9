"""What every link promises.

A link carries bytes and owns the clock. It knows nothing of frames.

Must implement: `endpoint`, `framing`, `settings`, `arrival_uncertainty_ns`, `now`, `send`,
`receive`, `close`.
Might implement: `configure` (a line whose settings can be changed; others raise `LinkError`), and
`line_errors` (see `busprobe.link.line_errors.LineErrorSource`).
Never: drop a received byte, decode, retry, or log.

Rules:

1. Time comes only from `now()`: integer nanoseconds, monotonic, starting anywhere.
2. `send` returns when the bytes are handed over, not when they have left; the returned chunk
   carries the instant at which the first bit left, or can have left at the earliest.
3. `receive(until_ns)` returns the next chunk stamped at or before `until_ns`, waiting for it, or
   None once the clock has passed `until_ns`. Chunks come in the order of their time. A chunk that
   arrives between two calls is kept for the next one.
4. A link that is lost raises `LinkError`, from whichever call notices; `receive` first gives out
   everything that was heard before the loss.
5. A link in virtual time never suspends, so that a procedure can run without an event loop.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Protocol, runtime_checkable

from busprobe.model.chunk import Chunk
from busprobe.model.device_text import visible
from busprobe.model.errors import LinkError
from busprobe.model.line import Endpoint, LineSettings, LinkKind


class Framing(StrEnum):
    """How a PDU is wrapped on this link."""

    RTU = "rtu"
    MBAP = "mbap"


@runtime_checkable
class RecordedClock(Protocol):
    """A link whose clock was recorded: between two chunks it leaps as the recorded bus did."""

    def moment(self, clock_ns: int) -> int:
        """The clock [ns], moved by the next recorded leap where that comes next.

        Args:
            clock_ns: The clock of the bus [ns].
        """
        ...


@runtime_checkable
class RecordedKind(Protocol):
    """A link made of a recording: what may be asked of it is what the recorded link could do."""

    @property
    def recorded_kind(self) -> LinkKind:
        """The kind of link that was recorded."""
        ...


@runtime_checkable
class Link(Protocol):
    """A way to a bus."""

    @property
    def endpoint(self) -> Endpoint:
        """Where this link leads."""
        ...

    @property
    def framing(self) -> Framing:
        """How a PDU is wrapped."""
        ...

    @property
    def settings(self) -> LineSettings | None:
        """Line settings in force; None where the link has none (Modbus TCP) or cannot know them."""
        ...

    @property
    def arrival_uncertainty_ns(self) -> int:
        """How late a received byte may be stamped [ns]: adapter, network and system together.

        It may change with the line settings. Each received chunk carries the value that was in
        force when it was stamped.
        """
        ...

    def now(self) -> int:
        """The link's clock [ns]."""
        ...

    async def send(self, data: bytes) -> Chunk:
        """Put bytes on the link.

        Raises:
            LinkError: The link is lost.
        """
        ...

    async def receive(self, until_ns: int) -> Chunk | None:
        """Wait for the next chunk, no longer than `until_ns`.

        Raises:
            LinkError: The link is lost.
        """
        ...

    async def configure(self, settings: LineSettings) -> None:
        """Change the line settings.

        Raises:
            LinkError: This link has no settings that can be changed, or refuses these.
        """
        ...

    async def close(self) -> None:
        """Release the link; further calls raise `LinkError`. Closing twice is allowed."""
        ...


def kind_of(link: Link) -> LinkKind:
    """By what kind of link the bytes travel, or travelled when they were recorded."""
    return link.recorded_kind if isinstance(link, RecordedKind) else link.endpoint.kind


def closed_error(name: str) -> LinkError:
    """What a call on a closed link raises."""
    return LinkError(f"The link to {visible(name)} is closed.", "Open it again.")
