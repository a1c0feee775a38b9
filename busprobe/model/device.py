"""A device as it is known so far."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Identity:
    """Who a device says it is; every text is already safe to show.

    Attributes:
        source: "sunspec", "device-identification", "server-id", "profile" or "none".
    """

    maker: str = ""
    model: str = ""
    version: str = ""
    serial: str = ""
    source: str = "none"

    def __str__(self) -> str:
        return " ".join(part for part in (self.maker, self.model) if part) or "unidentified"


@dataclass(frozen=True, slots=True)
class ModelBlock:
    """One SunSpec model found in a device.

    Attributes:
        model_id: Number of the model.
        address: Register address of its ID register (0-based, as sent).
        length: L as the device states it: registers after L.
    """

    model_id: int
    address: int
    length: int


@dataclass(frozen=True, slots=True)
class SunSpecMap:
    """Where the SunSpec map of a device starts and which models it holds."""

    base: int
    models: tuple[ModelBlock, ...]


@dataclass(frozen=True, slots=True)
class TurnAround:
    """Turn-around of a device over the exchanges so far [ms], None before the first answer."""

    median_ms: float | None = None
    p95_ms: float | None = None


@dataclass(frozen=True, slots=True)
class Device:
    """What is known of the device (or devices) at one address.

    Attributes:
        duplicate: "single", "duplicate" or "undecided".
        functions: Function codes it was seen to support.
        phases: How many phases its map measures (0 when unknown or not a meter).
    """

    address: int
    identity: Identity = Identity()
    sunspec: SunSpecMap | None = None
    profile: str | None = None
    duplicate: str = "undecided"
    turnaround: TurnAround = TurnAround()
    functions: tuple[int, ...] = ()
    phases: int = 0
