"""One simulated bus, served in real time to other programs by several ways at once."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busprobe.model.errors import InputError, LinkError
from busprobe_sim.ports.serve_pump import Pump
from busprobe_sim.ports.serve_tcp import Converter, Gateway, Handler, TcpFront

if TYPE_CHECKING:
    from busprobe_sim.scenario.bus import SimulatedBus

LOOPBACK = "127.0.0.1"


@dataclass(frozen=True, slots=True)
class Served:
    """Where the bus can be reached; None for ways that were not asked for.

    Attributes:
        host: Host that the TCP ports listen on.
        pty: Name of the pseudo-terminal.
        tcp_port: Modbus TCP gateway.
        rtu_tcp_port: RTU frames through a TCP socket.
        rfc2217_port: Remote serial port.
    """

    host: str
    pty: str | None
    tcp_port: int | None
    rtu_tcp_port: int | None
    rfc2217_port: int | None

    @property
    def links(self) -> tuple[str, ...]:
        """The LINK argument of every way."""
        found = [] if self.pty is None else [self.pty]
        host = f"[{self.host}]" if ":" in self.host else self.host
        for scheme, port in (
            ("tcp", self.tcp_port),
            ("rtu+tcp", self.rtu_tcp_port),
            ("rfc2217", self.rfc2217_port),
        ):
            if port is not None:
                found.append(f"{scheme}://{host}:{port}")
        return tuple(found)


async def serve(
    bus: SimulatedBus,
    *,
    pty: bool = False,
    tcp_port: int | None = None,
    rtu_tcp_port: int | None = None,
    rfc2217_port: int | None = None,
    on_ready: Callable[[Served], None] | None = None,
    host: str = LOOPBACK,
) -> None:
    """Serve a bus until cancelled.

    Each way is an adapter of its own on the one line, so clients of two ways disturb each other as
    two masters do.

    Args:
        bus: The bus; its present becomes now.
        pty: Offer a pseudo-terminal (not on Windows).
        tcp_port: Port of the Modbus TCP gateway; 0 for any free one, None for none.
        rtu_tcp_port: Port for RTU frames through TCP.
        rfc2217_port: Port for RFC 2217.
        on_ready: Called once everything listens.
        host: Address to listen on; only this computer unless told otherwise.

    Raises:
        InputError: No way was asked for, or this system has no pseudo-terminals.
        LinkError: A TCP port cannot be listened on.
    """
    if not pty and tcp_port is None and rtu_tcp_port is None and rfc2217_port is None:
        raise InputError("Nothing was asked to be served.", "Ask for a pty or a TCP port.")
    pump = Pump(bus.line)
    async with AsyncExitStack() as stack:
        name = None
        if pty:
            if sys.platform == "win32":
                raise InputError("This system has no pseudo-terminals.", "Serve by TCP instead.")
            from busprobe_sim.ports.serve_pty import PseudoTerminal

            terminal = PseudoTerminal(pump, bus.open_port())
            stack.callback(terminal.close)
            name = str(terminal.path)

        async def listen(handler: Handler, number: int) -> int:
            front = TcpFront(handler)
            try:
                found = await front.open(host, number)
            except OSError as error:
                raise LinkError(
                    f"Port {number} of {host} cannot be listened on: {error.strerror}.",
                    "Choose another port.",
                ) from error
            stack.push_async_callback(front.close)
            return found

        gateway = converter = remote = None
        if tcp_port is not None:
            gateway = await listen(Gateway(pump, bus.open_port()).serve, tcp_port)
        if rtu_tcp_port is not None:
            converter = await listen(Converter(pump, bus.open_port()).serve, rtu_tcp_port)
        if rfc2217_port is not None:
            from busprobe_sim.ports.serve_rfc2217 import RemotePort

            remote = await listen(RemotePort(pump, bus.open_port()).serve, rfc2217_port)
        if on_ready is not None:
            on_ready(Served(host, name, gateway, converter, remote))
        await pump.run()
