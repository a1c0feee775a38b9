"""Several TCP hosts in one LINK argument: a network or a range of addresses."""

from __future__ import annotations

import ipaddress
import re

from busprobe.model.errors import InputError
from busprobe.model.line import MODBUS_TCP_PORT, Endpoint, LinkKind, parse_link

# A bigger network is no site's meter network, and searching it is no longer polite.
MOST_HOSTS = 1024


def parse_links(argument: str) -> tuple[Endpoint, ...]:
    """Parse a LINK argument that may name several Modbus TCP hosts.

    Args:
        argument: As `parse_link`, and ``tcp://192.168.1.0/24[:PORT]`` or
            ``tcp://192.168.1.10-20[:PORT]``.

    Raises:
        InputError: It names no link, or too many hosts.
    """
    text = argument.strip()
    match = re.fullmatch(r"tcp://(\d+\.\d+\.\d+\.\d+)(?:/(\d+)|-(\d+))(?::(\d{1,5}))?", text)
    if match is None:
        return (parse_link(text),)
    first, prefix, last, port_text = match.groups()
    port = int(port_text) if port_text else MODBUS_TCP_PORT
    if not 1 <= port <= 65535:
        raise InputError(f"TCP port {port} does not exist.", "Give a port from 1 to 65535.")
    try:
        if prefix is not None:
            network = ipaddress.IPv4Network(f"{first}/{prefix}", strict=False)
            if network.num_addresses > MOST_HOSTS:
                raise InputError(
                    f"{text} names {network.num_addresses} hosts.",
                    f"Search {MOST_HOSTS} at the most: a /22 or smaller.",
                )
            hosts = [str(host) for host in network.hosts()]
        else:
            start = ipaddress.IPv4Address(first)
            head, _, low = first.rpartition(".")
            if not int(low) <= int(last) <= 255:
                raise InputError(f"The range in {text} runs backwards.", "Write tcp://A.B.C.10-20.")
            hosts = [
                f"{head}.{n}" for n in range(int(str(start).rpartition(".")[2]), int(last) + 1)
            ]
    except ValueError as error:
        raise InputError(
            f"'{text}' is not a range of hosts.", "Write tcp://192.168.1.0/24 or .10-20."
        ) from error
    return tuple(Endpoint(f"tcp://{h}:{port}", LinkKind.TCP, h, port) for h in hosts)
