"""Reading and decoding a device by its profile."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from busprobe.model.reading import Reading, ReadingState
from busprobe.profiles import scalar
from busprobe.profiles.blocks import Span, plan_reads
from busprobe.profiles.decode import ACTIVE_TEXT_NOTE, has_active_text
from busprobe.profiles.reads import MOST_REGISTERS, RegisterRead
from busprobe.profiles.schema import ByteOrder, DeviceProfile, Measured, RegisterValue
from busprobe.profiles.uniform import Uniform, normal_power_factor

# Powers of ten up to here are exact.
_EXPONENTS = range(-9, 10)


def in_order(registers: Sequence[int], order: ByteOrder, *, text: bool = False) -> tuple[int, ...]:
    """Registers as if the device sent the high word and the high byte first.

    The letters are the bytes of a 32-bit value, A the highest:

        ABCD  as it is        CDAB  low word first
        BADC  low byte first  DCBA  both

    Args:
        registers: As received.
        order: What the device does.
        text: In a text only the bytes of each register change places.
    """
    words = tuple(registers)
    if order in ("BADC", "DCBA"):
        words = tuple((word & 0xFF) << 8 | word >> 8 for word in words)
    if order in ("CDAB", "DCBA") and not text:
        words = words[::-1]
    return words


def scaled_by(value: int | float, scale: float) -> int | float:
    """A count times what one count is worth, without the error of 0.1 in binary."""
    if scale == 1:
        return value
    for exponent in _EXPONENTS:
        if scale == scalar.scaled(1, exponent) and isinstance(value, int):
            return scalar.scaled(value, exponent)
    return value * scale


def value_of(
    entry: RegisterValue, order: ByteOrder, raw: Sequence[int]
) -> int | float | str | None:
    """The plain value in registers, None for NaN and for an empty text.

    Args:
        entry: What the registers hold.
        order: Order of the bytes where the entry does not name its own.
        raw: The registers as received.
    """
    kind = entry.point_type
    registers = in_order(raw, entry.order or order, text=scalar.is_text(kind))
    if scalar.is_text(kind):
        return scalar.text(kind, registers) or None
    number = scalar.number(kind, registers)
    return None if math.isnan(number) else number


def profile_reads(
    profile: DeviceProfile, *, limit: int = MOST_REGISTERS
) -> tuple[RegisterRead, ...]:
    """Plan the reads of everything that a profile names.

    Args:
        profile: The profile.
        limit: Most registers in one read, where the device turned out to take less than its
            profile says.
    """
    named = (profile.identity.serial, profile.identity.version)
    entries = [*profile.registers, *(entry for entry in named if entry is not None)]
    return plan_reads(
        [Span(entry.address, entry.size) for entry in entries],
        limit=min(limit, profile.reads.most_registers),
        bridge=profile.reads.bridge,
        function=profile.function,
        purpose=f"profile {profile.name}",
    )


def _taken(entry: RegisterValue, image: Mapping[int, int]) -> tuple[int, ...] | None:
    places = range(entry.address, entry.address + entry.size)
    return tuple(image[p] for p in places) if all(p in image for p in places) else None


def _reading(entry: Measured, profile: DeviceProfile, raw: tuple[int, ...]) -> Reading:
    value = value_of(entry, profile.order, raw)
    unit = entry.shown_unit
    if isinstance(value, str):
        if has_active_text(in_order(raw, entry.order or profile.order, text=True)):
            return Reading(entry.label, value, unit, raw, ReadingState.SUSPECT, ACTIVE_TEXT_NOTE)
        return Reading(entry.label, value, unit, raw)
    if value is None or value in entry.absent:
        return Reading(entry.label, None, unit, raw, ReadingState.NOT_IMPLEMENTED)
    if math.isinf(value):
        return Reading(entry.label, None, unit, raw, ReadingState.SUSPECT, "infinite")
    return Reading(entry.label, scaled_by(value, entry.scale), unit, raw)


def decode_profile(profile: DeviceProfile, image: Mapping[int, int]) -> tuple[Reading, ...]:
    """Decode a device by its profile.

    Args:
        profile: The profile.
        image: Register value by address, as far as it was read.

    Returns:
        A reading for everything whose registers are all there; quantities under their uniform name,
        and "serial" and "version" where the profile names their registers.
    """
    readings = []
    for entry in profile.registers:
        raw = _taken(entry, image)
        if raw is not None:
            readings.append(_reading(entry, profile, raw))
    for name, place in (("serial", profile.identity.serial), ("version", profile.identity.version)):
        raw = _taken(place, image) if place is not None else None
        if place is not None and raw is not None:
            value = value_of(place, profile.order, raw)
            state = ReadingState.OK if value is not None else ReadingState.NOT_IMPLEMENTED
            readings.append(Reading(name, value, "", raw, state))
    return tuple(readings)


def uniform_profile(profile: DeviceProfile, readings: Iterable[Reading]) -> Uniform:
    """Uniform quantities of a device by its profile, as `busprobe.profiles.uniform` gives them."""
    entries = {entry.label: entry for entry in profile.registers if entry.quantity}
    quantities: dict[str, float] = {}
    steps: dict[str, float] = {}
    suspect: dict[str, str] = {}
    for reading in readings:
        entry = entries.get(reading.name)
        if entry is None or not isinstance(reading.value, int | float):
            continue
        value: float | None = float(reading.value)
        step = abs(entry.scale)
        if reading.name.startswith("PF"):
            value = normal_power_factor(float(reading.value))
            if value is None:
                suspect[reading.name] = f"{reading.value:g} is no power factor"
                continue
            step = step / 100 if value != reading.value else step
        quantities[reading.name] = value or 0.0
        if entry.point_type not in scalar.FLOATING:
            steps[reading.name] = step
        if reading.state is ReadingState.SUSPECT:
            suspect[reading.name] = reading.note
    return Uniform(quantities, steps, suspect, profile.phases, profile.system, profile.sign)
