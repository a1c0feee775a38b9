"""Where a bus is reached and how its characters look on the wire."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from busprobe.model.errors import InputError

NS_PER_S = 1_000_000_000

# Modbus over Serial Line V1.02, section 2.2: 0 is broadcast, 248-255 are reserved.
FIRST_ADDRESS = 1
LAST_ADDRESS = 247


class Parity(StrEnum):
    """Parity of a character, by the letter used in "8E1"."""

    NONE = "N"
    EVEN = "E"
    ODD = "O"


@dataclass(frozen=True, slots=True)
class LineSettings:
    """Rate and character format of a serial line; always 8 data bits.

    Attributes:
        baud: Signalling rate [bit/s].
        parity: Parity of each character.
        stop_bits: 1 or 2.
    """

    baud: int = 9600
    parity: Parity = Parity.NONE
    stop_bits: int = 1

    def __post_init__(self) -> None:
        if not 50 <= self.baud <= 4_000_000:
            raise InputError(
                f"A rate of {self.baud} Bd cannot be set.", "Give a rate from 50 to 4000000 Bd."
            )
        if self.stop_bits not in (1, 2):
            raise InputError(f"{self.stop_bits} stop bits are not possible.", "Give 1 or 2.")

    @property
    def bits_per_character(self) -> int:
        """Start bit, 8 data bits, parity bit if any, stop bits [bit]."""
        return 9 + (self.parity is not Parity.NONE) + self.stop_bits

    @property
    def bit_ns(self) -> float:
        """Duration of one bit [ns]."""
        return NS_PER_S / self.baud

    @property
    def character_ns(self) -> int:
        """Duration of one character [ns]."""
        return round(self.bits_per_character * self.bit_ns)

    def duration_ns(self, characters: int) -> int:
        """Time that so many characters take back to back [ns]."""
        return round(characters * self.bits_per_character * self.bit_ns)

    def __str__(self) -> str:
        return f"{self.baud} 8{self.parity}{self.stop_bits}"


def told_together(settings: Iterable[str]) -> str:
    """Many line settings, each as "19200 8E1", in few words: rates, then the formats they go with.

    Rates and formats stand in the order in which they come.
    """
    rates: dict[str, list[str]] = {}
    for each in settings:
        rate, _, form = each.partition(" ")
        rates.setdefault(form, []).append(rate)
    forms: dict[tuple[str, ...], list[str]] = {}
    for form, listed in rates.items():
        ordered = sorted(listed, key=lambda rate: int(rate) if rate.isdigit() else 0)
        forms.setdefault(tuple(ordered), []).append(form)
    return "; ".join(
        f"{', '.join(listed)} Bd at {', '.join(alike)}" for listed, alike in forms.items()
    )


class LinkKind(StrEnum):
    """How the bytes travel, as written in every machine-readable document."""

    SERIAL = "serial"
    TCP = "tcp"
    RTU_OVER_TCP = "rtu-over-tcp"
    RFC2217 = "rfc2217"
    SIMULATED = "simulated"
    REPLAY = "replay"


@dataclass(frozen=True, slots=True)
class Endpoint:
    """A parsed LINK argument.

    Attributes:
        argument: The argument as given, for messages and documents.
        kind: The kind of link it names.
        target: Port name, host, scenario or file.
        tcp_port: TCP port for the network kinds, else 0.
    """

    argument: str
    kind: LinkKind
    target: str
    tcp_port: int = 0


_SCHEMES = {
    "tcp": LinkKind.TCP,
    "rtu+tcp": LinkKind.RTU_OVER_TCP,
    "rfc2217": LinkKind.RFC2217,
}
# Modbus Messaging on TCP/IP V1.0b, section 3.1.3.
MODBUS_TCP_PORT = 502


def parse_link(argument: str) -> Endpoint:
    """Parse the LINK argument that every command takes.

    Args:
        argument: A serial port, ``tcp://HOST[:502]``, ``rtu+tcp://HOST:PORT``,
            ``rfc2217://HOST:PORT``, ``sim:SCENARIO`` or ``replay:FILE``.

    Raises:
        InputError: The argument names no link.
    """
    text = argument.strip()
    if not text:
        raise InputError("No link was given.", "Name a serial port, a tcp:// host or sim:SCENARIO.")
    for prefix, kind in (("sim:", LinkKind.SIMULATED), ("replay:", LinkKind.REPLAY)):
        if text.startswith(prefix):
            target = text[len(prefix) :]
            if not target:
                raise InputError(
                    f"'{text}' names nothing after '{prefix}'.", f"Write {prefix}NAME."
                )
            return Endpoint(text, kind, target)
    scheme, separator, rest = text.partition("://")
    if not separator:
        # An IPv4 address, or a name with a TCP port: no system calls a serial port so.
        if re.fullmatch(r"\d+(\.\d+){3}(:\d+)?|[\w.-]+:\d+", text):
            raise InputError(
                f"'{text}' is a network address without its kind.",
                f"Write tcp://{text} (Modbus TCP), or rtu+tcp:// or rfc2217:// for a serial "
                "server.",
            )
        return Endpoint(text, LinkKind.SERIAL, text)
    network = _SCHEMES.get(scheme)
    if network is None:
        raise InputError(
            f"'{scheme}://' is not a kind of link.",
            "Use tcp://, rtu+tcp://, rfc2217://, sim:SCENARIO, replay:FILE or a serial port name.",
        )
    match = re.fullmatch(r"(\[[0-9A-Fa-f:.%]+\]|[^:/\s\[\]]+)(?::(\d{1,5}))?/?", rest)
    if match is None:
        raise InputError(f"'{rest}' is not a host and port.", f"Write {scheme}://HOST:PORT.")
    if match[2] is None and network is not LinkKind.TCP:
        raise InputError(f"'{text}' lacks a port.", f"Write {scheme}://HOST:PORT.")
    port = MODBUS_TCP_PORT if match[2] is None else int(match[2])
    if not 1 <= port <= 65535:
        raise InputError(f"TCP port {port} does not exist.", "Give a port from 1 to 65535.")
    return Endpoint(text, network, match[1].strip("[]"), port)
