"""Registers of a SunSpec model to readings.

Rules:

1. A value and its scale factor come from the same registers, so from the same poll.
2. The scale factor is looked up in the group of the point, then in the model.
3. A scale factor that is not implemented counts as 0 and is told; where the published definition
   makes the point mandatory and its scale factor optional (Hz of the meter models), that is legal.
4. acc = 0 may mean "nothing counted yet" or "not implemented": the value of a mandatory point stays
   0, an optional point is not implemented; both carry the note.
5. An rms voltage cannot be negative: an int16 voltage of a meter that is, has wrapped (at scale
   factor -2 beyond 327.67 V) and is read again as unsigned, marked suspect. Such a device is
   described in the public thread pysunspec2 #48.
6. A float that is a tiny fraction of a watt-hour is an integer counter in the place of a float:
   models 211-214 had acc32 energies until 2016-02-04 (sunspec/models changelog).
7. A point with a register that was not read has no reading.
8. SunSpec sends the high word first. A float model whose frequency and voltages make sense only
   with the low word first is read that way; all its wide values are marked suspect.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from busprobe.model.device import ModelBlock
from busprobe.model.device_text import visible
from busprobe.model.reading import Reading, ReadingState
from busprobe.profiles import scalar
from busprobe.profiles.definitions import (
    HEADER_REGISTERS,
    ModelDefinition,
    PointDefinition,
    PointType,
    model_definition,
)
from busprobe.profiles.layout import PlacedPoint, layout

ZERO_NOTE = "0: nothing counted yet, or not implemented"
WRAPPED_NOTE = "negative, so it has wrapped: read again as unsigned"
INTEGER_NOTE = "served as an integer where the model has a float: read again as unsigned"
WORDS_NOTE = "low word first, against the published model: words exchanged"
ACTIVE_TEXT_NOTE = "holds characters that could act on a terminal; they are written out"

# SunSpec Device Information Model Specification, section 4.2.4: range of a scale factor.
SCALE_LIMIT = 10
_INT_METERS = range(201, 205)
_FLOAT_METERS = range(211, 215)
# 0x0DA24260 = 228 633 184 read as a float; a real counter in Wh is 0 or at least a thousandth.
_TINY = 1e-30
# Models whose values are floats, and the points by which the order of their words is told.
_FLOAT_MODELS = frozenset({111, 112, 113, *_FLOAT_METERS})
_TELLING = {"Hz": (40.0, 70.0), "PhVphA": (20.0, 1000.0), "PhV": (20.0, 1000.0)}
_ENERGY_UNITS = frozenset({"wh", "vah", "varh"})
# Models 120, 701 and others write "varh", "VArh", "Varh", "Secs": one spelling for each unit.
_UNITS = {
    "varh": "varh",
    "var": "var",
    "secs": "s",
    "vah": "VAh",
    "va": "VA",
    "wh": "Wh",
    "hz": "Hz",
}


def _unit(published: str) -> str:
    return _UNITS.get(published.lower(), published)


def _words(definition: PointDefinition, value: int) -> tuple[str | int, str]:
    if definition.type in scalar.ENUMERATED:
        word = definition.symbols.get(value)
        if word is None:
            return value, "not among the published states" if definition.symbols else ""
        return word, ""
    if not definition.symbols:
        return value, ""
    set_bits = [bit for bit in range(value.bit_length()) if value >> bit & 1]
    words = [definition.symbols.get(bit, f"bit {bit}") for bit in set_bits]
    unknown = any(bit not in definition.symbols for bit in set_bits)
    return ", ".join(words) or "none", "a bit without published meaning is set" if unknown else ""


class _Decoder:
    def __init__(
        self, model: ModelDefinition, registers: Sequence[int | None], *, low_word_first: bool
    ) -> None:
        self.model = model
        self.registers = registers
        self.low_word_first = low_word_first

    def _raw(self, offset: int, size: int) -> tuple[int, ...] | None:
        taken = tuple(r for r in self.registers[offset : offset + size] if r is not None)
        return taken if len(taken) == size else None

    def _scale(self, point: PlacedPoint) -> tuple[int, ReadingState, str] | None:
        """Exponent, state and note; None when the scale factor was not read."""
        published = point.definition.scale
        if published is None:
            return 0, ReadingState.OK, ""
        if isinstance(published, int):
            return published, ReadingState.OK, ""
        if point.scale_offset is None:
            note = f"scale factor {published} is missing in the published model: taken as 0"
            return 0, ReadingState.SUSPECT, note
        raw = self._raw(point.scale_offset, 1)
        if raw is None:
            return None
        if not scalar.is_implemented(PointType.SUNSSF, raw):
            legal = point.definition.mandatory and not point.scale_mandatory
            state = ReadingState.OK if legal else ReadingState.SUSPECT
            return 0, state, f"scale factor {published} is not implemented: taken as 0"
        exponent = scalar.signed(raw)
        if abs(exponent) > SCALE_LIMIT:
            note = f"scale factor {published} is {exponent}, beyond ±{SCALE_LIMIT}: taken as 0"
            return 0, ReadingState.SUSPECT, note
        return exponent, ReadingState.OK, ""

    def _wrapped(self, definition: PointDefinition, value: int | float) -> bool:
        return (
            self.model.model_id in _INT_METERS
            and definition.type is PointType.INT16
            and definition.units == "V"
            and value < 0
        )

    def _integer_as_float(self, definition: PointDefinition, value: int | float) -> bool:
        return (
            self.model.model_id in _FLOAT_METERS
            and definition.type is PointType.FLOAT32
            and definition.units.lower() in _ENERGY_UNITS
            and 0 < abs(value) < _TINY
        )

    def _text(self, point: PlacedPoint, raw: tuple[int, ...]) -> Reading:
        shown = scalar.text(point.definition.type, raw)
        if point.definition.type is PointType.STRING and has_active_text(raw):
            return Reading(point.name, shown, "", raw, ReadingState.SUSPECT, ACTIVE_TEXT_NOTE)
        return Reading(point.name, shown, "", raw)

    def reading(self, point: PlacedPoint) -> Reading | None:
        """The reading of a point, None where it has none."""
        size = point.definition.size
        if not self.low_word_first or size == 1 or scalar.is_text(point.definition.type):
            return self._ordered(point, self._raw(point.offset, size))
        sent = self._raw(point.offset, size)
        if sent is None:
            return None
        found = self._ordered(point, sent[::-1])
        if found is None or found.state is ReadingState.NOT_IMPLEMENTED:
            return found if found is None else replace(found, raw=sent)
        return replace(found, raw=sent, state=ReadingState.SUSPECT, note=WORDS_NOTE)

    def _ordered(self, point: PlacedPoint, raw: tuple[int, ...] | None) -> Reading | None:
        definition = point.definition
        kind = definition.type
        if raw is None or kind is PointType.PAD:
            return None
        unit = _unit(definition.units)
        if not scalar.is_implemented(kind, raw):
            if kind in scalar.ACCUMULATED:
                if definition.mandatory:
                    return Reading(point.name, 0, unit, raw, ReadingState.OK, ZERO_NOTE)
                return Reading(point.name, None, unit, raw, ReadingState.NOT_IMPLEMENTED, ZERO_NOTE)
            return Reading(point.name, None, unit, raw, ReadingState.NOT_IMPLEMENTED)
        if scalar.is_text(kind):
            return self._text(point, raw)
        return self._number(point, raw, unit)

    def _number(self, point: PlacedPoint, raw: tuple[int, ...], unit: str) -> Reading | None:
        definition = point.definition
        kind = definition.type
        value = scalar.number(kind, raw)
        if kind in scalar.ENUMERATED or kind in scalar.BITFIELD:
            word, note = _words(definition, int(value))
            return Reading(point.name, word, unit, raw, ReadingState.OK, note)
        if math.isinf(value):
            return Reading(point.name, None, unit, raw, ReadingState.SUSPECT, "infinite")
        scale = self._scale(point)
        if scale is None:
            return None
        exponent, state, note = scale
        if self._wrapped(definition, value):
            value, state, note = scalar.unsigned(raw), ReadingState.SUSPECT, WRAPPED_NOTE
        elif self._integer_as_float(definition, value):
            value, state, note = scalar.unsigned(raw), ReadingState.SUSPECT, INTEGER_NOTE
        result = value if isinstance(value, float) else scalar.scaled(value, exponent)
        return Reading(point.name, result, unit, raw, state, note)


def has_active_text(raw: Sequence[int]) -> bool:
    """Whether a text holds characters that could act on a terminal."""
    data = scalar.register_bytes(raw).split(b"\0", 1)[0]
    plain = data.decode("utf-8", errors="backslashreplace")
    return visible(plain) != plain


def _low_word_first(points: Iterable[PlacedPoint], registers: Sequence[int | None]) -> bool:
    """Whether telling values of a float model make sense only with their words exchanged."""
    votes = []
    for point in points:
        band = _TELLING.get(point.name)
        raw = [word for word in registers[point.offset : point.end] if word is not None]
        if band is None or len(raw) != 2:
            continue
        as_sent, exchanged = scalar.floating(raw), scalar.floating(raw[::-1])
        if as_sent != as_sent or as_sent == 0:
            continue  # not implemented, or nothing connected: either order gives the same
        votes.append((band[0] <= as_sent <= band[1], band[0] <= exchanged <= band[1]))
    return len(votes) > 1 and not any(sent for sent, _ in votes) and all(low for _, low in votes)


def decode_model(
    model: ModelDefinition, registers: Sequence[int | None], length: int | None = None
) -> tuple[Reading, ...]:
    """Decode one model.

    Args:
        model: The published definition.
        registers: From the ID register on; None where nothing was read.
        length: L as the device states it; taken from the registers if left out.

    Returns:
        One reading for every point within the length whose registers are all there, in the order of
        the model; pad registers have none.
    """
    if length is None:
        stated = registers[1] if len(registers) > 1 else None
        length = len(registers) - HEADER_REGISTERS if stated is None else stated
    points = layout(model, length, registers).points
    swapped = model.model_id in _FLOAT_MODELS and _low_word_first(points, registers)
    decoder = _Decoder(model, registers, low_word_first=swapped)
    found = (decoder.reading(point) for point in points)
    return tuple(reading for reading in found if reading is not None)


def decode_block(block: ModelBlock, image: Mapping[int, int]) -> tuple[Reading, ...]:
    """Decode one model of a device.

    Args:
        block: Where the model lies.
        image: Register value by address, as far as it was read (header registers are optional).

    Returns:
        The readings; none for a model that is not published.
    """
    model = model_definition(block.model_id)
    if model is None:
        return ()
    registers: list[int | None] = [
        image.get(block.address + offset) for offset in range(block.length + HEADER_REGISTERS)
    ]
    registers[0] = block.model_id
    registers[1] = block.length
    return decode_model(model, registers, block.length)


def changed_scale_factors(before: Iterable[Reading], after: Iterable[Reading]) -> tuple[str, ...]:
    """Scale factors that differ between two polls of the same model.

    Scale factors should be static (SunSpec Device Information Model Specification, section 4.2.8);
    several real devices change them with the power.
    """
    earlier = {r.name: r.raw for r in before if r.name.split(".")[-1].endswith("_SF")}
    return tuple(r.name for r in after if r.name in earlier and r.raw != earlier[r.name])
