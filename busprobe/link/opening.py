"""From a LINK argument to an open link."""

from __future__ import annotations

from busprobe.link.base import Link
from busprobe.model.errors import LinkError
from busprobe.model.line import Endpoint, LineSettings, LinkKind


async def open_link(endpoint: Endpoint, settings: LineSettings | None) -> Link:
    """Open a link to real hardware or to a host.

    Args:
        endpoint: The parsed LINK argument.
        settings: Line settings to start with; 9600 8N1 where None. Links without settings of their
            own leave them aside.

    Raises:
        LinkError: The link cannot be opened.
    """
    # Each kind is imported only when it is used: the start stays fast, and a network link works on
    # a computer whose serial support is broken.
    if endpoint.kind is LinkKind.SERIAL:
        from busprobe.link.serial_port import open_serial

        return await open_serial(endpoint, settings or LineSettings())
    if endpoint.kind in (LinkKind.TCP, LinkKind.RTU_OVER_TCP):
        from busprobe.link.tcp import open_tcp

        return await open_tcp(endpoint)
    if endpoint.kind is LinkKind.RFC2217:
        from busprobe.link.rfc2217 import open_rfc2217

        return await open_rfc2217(endpoint, settings or LineSettings())
    raise LinkError(
        f"'{endpoint.argument}' is no way to hardware: {endpoint.kind} links are made by the "
        "program itself.",
        "Name a serial port or a host, or start the simulated bus with 'busprobe demo'.",
    )
