"""The machine-readable result of `readdress`."""

from __future__ import annotations

from typing import Literal

from pydantic import ConfigDict, Field

from busprobe.cli.documents_base import Part, SettingsPart


class WrittenPart(Part):
    """One register that was written, or was to be."""

    model_config = ConfigDict(frozen=True, extra="forbid", serialize_by_alias=True)

    register_: int = Field(alias="register")
    """0-based, as sent."""
    value: int
    purpose: str
    before: int | None
    """What the register should have held until then, null where nothing says so."""
    sent_to: int | None
    """The address it was sent to; null where it was not sent."""
    exchange: int | None
    """Number of the exchange; null where it was not sent."""
    outcome: str | None
    """What came of it; null where it was not sent."""


class SeparatedMeterPart(Part):
    """One of the meters that shared an address."""

    address: int
    """Where it answers now."""
    settings: SettingsPart
    name: str
    """Maker and model."""
    serial: str
    """Empty where it is not known."""
    changed: bool
    """Whether it was given its address now."""
    label: str
    """What to write on it."""


class SeparationPart(Part):
    """How the separation of two meters went."""

    stage: Literal["shared", "one-left", "changed", "separated"]
    """"shared": nothing touched. "one-left": one disconnected, nothing written. "changed": one has
    its new address, the other may still be disconnected. "separated": both seen."""
    text: str
    serials: list[str]
    """Serial numbers heard at the shared address, as far as they could be told."""
    meters: list[SeparatedMeterPart]
    """As they answer now; both only when separated."""


class ReaddressResult(Part):
    """Result of `readdress`."""

    address: int
    """The address before."""
    new_address: int | None
    """The address that was wanted; null where a separation did not come to one."""
    state: Literal[
        "planned",
        "changed",
        "waits-for-power",
        "unchanged",
        "rolled-back",
        "not-saved",
        "partly",
        "uncertain",
    ]
    """"planned" when it was only shown, or not confirmed."""
    answers_at: int | None
    """Where the device answers now, null where that is not clear."""
    settings: SettingsPart | None
    """Line settings before."""
    new_settings: SettingsPart | None
    """Line settings that were wanted."""
    answers_settings: SettingsPart | None
    """Line settings at which the device answers now, null where that is not clear."""
    serial: str
    """Serial number of the device, empty where it is not known."""
    confirmed_by: str
    """Who confirmed it and how, empty where nobody did."""
    profile: str
    text: str
    writes: list[WrittenPart]
    separation: SeparationPart | None = None
    """Only with --separate: which meters were told apart, and how far it came."""
