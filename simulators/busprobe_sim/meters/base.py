"""What a simulated device answers, seen from its firmware: PDU in, PDU out."""

from __future__ import annotations

from typing import Protocol


class Server(Protocol):
    """The register server of one device, without any notion of a line."""

    def respond(self, request: bytes, now_ns: int) -> bytes | None:
        """Answer a request PDU.

        Args:
            request: Function code and data.
            now_ns: The instant on the line's clock [ns]; register values follow the site at it.

        Returns:
            The response PDU (an exception response included), or None to stay silent.
        """
        ...
