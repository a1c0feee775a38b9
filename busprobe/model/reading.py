"""Measured values in one uniform form, whatever the meter calls them.

Names of quantities (SI units; powers are import positive once the sign is known):

    V_L1 V_L2 V_L3              line to neutral [V]
    V_L1L2 V_L2L3 V_L3L1        line to line [V]
    I_L1 I_L2 I_L3              [A]
    P_L1 P_L2 P_L3 P            [W]
    Q_L1 Q_L2 Q_L3 Q            [var]
    S_L1 S_L2 S_L3 S            [VA]
    PF_L1 PF_L2 PF_L3 PF        [1], normalised to -1..1
    F                           [Hz]
    E_import E_export           [Wh], and per phase E_import_L1 ...
    Eq_import Eq_export         [varh]
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

PHASES = ("L1", "L2", "L3")


class ReadingState(StrEnum):
    """How far a value may be trusted."""

    OK = "ok"
    NOT_IMPLEMENTED = "not-implemented"
    SUSPECT = "suspect"


class SignConvention(StrEnum):
    """What a positive power means at this meter, by its own registers."""

    IMPORT_POSITIVE = "import-positive"
    EXPORT_POSITIVE = "export-positive"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of a device.

    Attributes:
        name: The point name of the register map, or a quantity name of this module.
        value: Scaled number, text, or None when not implemented.
        unit: Unit of the value, or "".
        raw: The registers it came from.
        state: How far it may be trusted.
        note: Why it is suspect, or "".
    """

    name: str
    value: float | int | str | None
    unit: str
    raw: tuple[int, ...]
    state: ReadingState = ReadingState.OK
    note: str = ""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The uniform quantities of one meter from one poll.

    Attributes:
        t_ns: When the last response ended, on the link's clock [ns].
        address: Address of the meter.
        quantities: Value by quantity name, as the *meter* signs it; missing ones are absent.
        sign: What is known of the meter's sign convention.
    """

    t_ns: int
    address: int
    quantities: Mapping[str, float]
    sign: SignConvention = SignConvention.UNKNOWN
