"""A SunSpec map beside the published models: lengths, mandatory points, scale factors, marks.

Rules:

1. A length is right when the published definition allows it (65 and 66 for the common model).
2. A mandatory point must hold something else than the mark for "not implemented" of its type. acc =
   0 is both an honest zero and that mark, so it is told and does not fail.
3. A mandatory point behind the stated length is the length's fault, and told there alone.
4. A scale factor is -10 to 10 (SunSpec Device Information Model Specification, section 4.2.4); one
   that is not implemented is wrong where a point that needs it is implemented, except where the
   published model makes the point mandatory and its scale factor optional (Hz of 201 to 204).
   A mandatory scale factor that is not implemented is a missing mandatory point, and told as that.
5. "Not implemented" has one mark for each type (section 6.4). The mark of another type is a value
   to every reader: 4294967295 Wh, 32768 V.

The definitions are the SunSpec Alliance's, as published in JSON.
"""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.diagnosis.bench.types import ModelSheet
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device, ModelBlock
from busprobe.model.finding import Evidence
from busprobe.profiles import scalar
from busprobe.profiles.definitions import (
    COMMON_LENGTHS,
    COMMON_MODEL,
    LengthRule,
    ModelDefinition,
    PointDefinition,
    PointType,
    model_definition,
)
from busprobe.profiles.layout import PlacedPoint, layout
from busprobe.profiles.sunspec import AnomalyKind, WalkAnomaly

_SCALE_LIMIT = 10
# Without these a chain can still be walked and every model read.
_HARMLESS = {AnomalyKind.UNANSWERED, AnomalyKind.IRREGULAR_END, AnomalyKind.UNPUBLISHED_MODEL}
_PAD_MARK = 0x8000
# The published model 202 (split phase, no phase C) marks AphB and AphC mandatory and AphA optional;
# its float twin 212 marks AphA and AphB. Held to as in 212.
_SLIPS = {(202, "AphA"): True, (202, "AphC"): False}
_STATES = scalar.ENUMERATED | scalar.BITFIELD
_MOST_NAMES = 8


def is_mandatory(model_id: int, point: PointDefinition) -> bool:
    """Whether a model demands a point: as published, but for one slip (see `_SLIPS`)."""
    return _SLIPS.get((model_id, point.name), point.mandatory)


def published_lengths(model_id: int, rule: LengthRule) -> str:
    """The lengths that a definition allows, in words."""
    if model_id == COMMON_MODEL:
        return " or ".join(str(length) for length in COMMON_LENGTHS)
    if rule.step == 0:
        return str(rule.least)
    if rule.step is None:
        return f"{rule.least} or more"
    return f"{rule.least} and multiples of {rule.step} more"


def model_sheet(
    block: ModelBlock, registers: Sequence[int | None], stated_length: int | None = None
) -> ModelSheet:
    """Hold one model against its definition.

    Args:
        block: Where it lies, with the length by which the chain goes on.
        registers: Its registers from ID on; None where one could not be read.
        stated_length: L as the device states it, where the chain proved it wrong.
    """
    stated = block.length if stated_length is None else stated_length
    definition = model_definition(block.model_id)
    if definition is None:
        return ModelSheet(block.model_id, "", block.address, stated, "", None, 0)
    rule = definition.length_rule
    points = layout(definition, block.length, registers).points
    look = _Look(block.model_id, registers)
    look.over(points)
    return ModelSheet(
        model_id=block.model_id,
        name=definition.label,
        register=block.address,
        length=stated,
        published=published_lengths(block.model_id, rule),
        length_right=rule.allows(stated) and stated == block.length,
        mandatory=sum(is_mandatory(block.model_id, p) for p in definition.group.points),
        missing=tuple(look.missing),
        unreadable=tuple(look.unreadable),
        beyond=_beyond(definition, points),
        absent=tuple(look.absent),
        uncounted=tuple(look.uncounted),
        wrong_scales=tuple(look.wrong_scales),
        wrong_marks=tuple(look.wrong_marks),
        remarks=tuple(look.remarks),
    )


def _beyond(definition: ModelDefinition, points: Sequence[PlacedPoint]) -> tuple[str, ...]:
    placed = {p.name for p in points}
    return tuple(
        p.name
        for p in definition.group.points
        if is_mandatory(definition.model_id, p) and p.name not in placed
    )


class _Look:
    """Goes over the points of a model once."""

    def __init__(self, model_id: int, registers: Sequence[int | None]) -> None:
        self._model_id = model_id
        self._registers = registers
        self.missing: list[str] = []
        self.unreadable: list[str] = []
        self.absent: list[str] = []
        self.uncounted: list[str] = []
        self.wrong_scales: list[str] = []
        self.wrong_marks: list[str] = []
        self.remarks: list[str] = []
        self._scales_told: set[int] = set()

    def _raw(self, point: PlacedPoint) -> tuple[int, ...] | None:
        taken = tuple(r for r in self._registers[point.offset : point.end] if r is not None)
        return taken if len(taken) == point.definition.size else None

    def _mandatory(self, point: PlacedPoint) -> bool:
        return is_mandatory(self._model_id, point.definition)

    def over(self, points: Sequence[PlacedPoint]) -> None:
        """Look at every point."""
        at = {p.offset: p for p in points}
        for point in points:
            raw = self._raw(point)
            if raw is None:
                if self._mandatory(point):
                    self.unreadable.append(point.name)
                continue
            self._point(point, raw)
            kind = point.definition.type
            valued = scalar.is_implemented(kind, raw) and not _foreign_mark(kind, raw)
            if valued and point.scale_offset is not None:
                self._scale_of(point, at.get(point.scale_offset))

    def _point(self, point: PlacedPoint, raw: tuple[int, ...]) -> None:
        kind, mandatory = point.definition.type, self._mandatory(point)
        if kind is PointType.PAD:
            if raw != (_PAD_MARK,):
                self.remarks.append(f"{point.name} holds {raw[0]:04X} instead of 8000")
            return
        if not scalar.is_implemented(kind, raw):
            if kind in scalar.ACCUMULATED and mandatory:
                self.uncounted.append(point.name)
            elif mandatory:
                self.missing.append(point.name)
            else:
                self.absent.append(point.name)
            self._text_mark(point, raw)
            return
        if kind is PointType.SUNSSF:
            self._range(point, scalar.signed(raw))
        elif _foreign_mark(kind, raw):
            held = "".join(f"{word:04X}" for word in raw)
            self.wrong_marks.append(f"{point.name} ({kind}) holds {held}")

    def _text_mark(self, point: PlacedPoint, raw: tuple[int, ...]) -> None:
        if point.definition.type is PointType.STRING and any(raw):
            how = "blanks" if set(raw) <= {0x2020, 0x2000, 0} else "FF"
            self.remarks.append(f"{point.name} is empty, but holds {how} instead of NUL")

    def _range(self, point: PlacedPoint, exponent: int) -> None:
        if abs(exponent) > _SCALE_LIMIT:
            self.wrong_scales.append(
                f"{point.name} is {exponent}, beyond -{_SCALE_LIMIT} to {_SCALE_LIMIT}"
            )

    def _scale_of(self, point: PlacedPoint, scale: PlacedPoint | None) -> None:
        """The scale factor that an implemented point needs."""
        if scale is None or scale.offset in self._scales_told:
            return
        raw = self._raw(scale)
        if raw is None or scalar.is_implemented(scale.definition.type, raw):
            return
        legal = point.definition.mandatory and not point.scale_mandatory
        if legal or scale.definition.mandatory:
            return
        self._scales_told.add(scale.offset)
        self.wrong_scales.append(
            f"{scale.name} is not implemented, but {point.name} needs it and has a value"
        )


def _foreign_mark(kind: PointType, raw: tuple[int, ...]) -> bool:
    """Whether a value is, without doubt, the mark for "not implemented" of another type."""
    whole, bits = scalar.unsigned(raw), 16 * len(raw)
    ones, low = (1 << bits) - 1, 1 << (bits - 1)
    if kind in scalar.ACCUMULATED:
        return whole in (ones, low)
    # -1 is an honest value of a signed number, and -0.0 of a float.
    return (kind in scalar.UNSIGNED or kind in _STATES) and whole == low


def _listed(names: Sequence[str]) -> str:
    more = len(names) - _MOST_NAMES
    return ", ".join(names[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


# Checks ------------------------------------------------------------------------------------------


def map_check(device: Device, anomalies: Sequence[WalkAnomaly]) -> Check:
    """Is there a SunSpec map with a chain that leads from the marker to its end?"""
    subject, title = f"address {device.address}", "Its chain of models is whole"
    planned = "marker, common model, models, end model (SunSpec)"
    if device.sunspec is None:
        found = f"profile {device.profile}" if device.profile else "no SunSpec map"
        return Check("map", subject, title, "", found, CheckOutcome.NOT_APPLICABLE)
    told = [a for a in anomalies if a.kind is not AnomalyKind.LENGTH_MISMATCH]
    serious = [a for a in told if a.kind not in _HARMLESS]
    models = ", ".join(str(b.model_id) for b in device.sunspec.models)
    return Check(
        "map",
        subject,
        title,
        planned,
        f"base {device.sunspec.base}, models {models}",
        CheckOutcome.FAIL if serious else CheckOutcome.PASS,
        evidence=tuple(Evidence(None, f"register {a.register}: {a.text}") for a in told),
        finding_codes=("map-irregular",) if serious else (),
    )


def profile_check(device: Device, points: int, failure: str) -> Check:
    """Does a device without a SunSpec map give the registers that its profile names?

    Args:
        device: The device.
        points: How many the profile names.
        failure: Why something is missing, or "".
    """
    return Check(
        "profile-map",
        f"address {device.address}",
        "It gives the registers of its profile",
        f"{points} points of profile {device.profile}",
        failure or "all of them can be read",
        CheckOutcome.FAIL if failure else CheckOutcome.PASS,
        finding_codes=("bench-profile-differs",) if failure else (),
    )


def lengths_check(
    device: Device, anomalies: Sequence[WalkAnomaly], sheets: Sequence[ModelSheet]
) -> Check:
    """Does every model have the length that is published for it?"""
    subject, title = f"address {device.address}", "Its models have the published lengths"
    if device.sunspec is None:
        return Check("lengths", subject, title, "", "no SunSpec map", CheckOutcome.NOT_APPLICABLE)
    published = [s for s in sheets if s.length_right is not None]
    wrong = [s for s in published if not s.length_right]
    told = [a for a in anomalies if a.kind is AnomalyKind.LENGTH_MISMATCH]
    evidence = [Evidence(None, f"register {a.register}: {a.text}") for a in told]
    evidence += [
        Evidence(None, f"model {s.model_id}: mandatory {_listed(s.beyond)} lie behind its length")
        for s in sheets
        if s.beyond
    ]
    bad = bool(wrong or told)
    return Check(
        "lengths",
        subject,
        title,
        ", ".join(f"model {s.model_id}: {s.published}" for s in published),
        ", ".join(f"model {s.model_id}: {s.length}" for s in sheets),
        CheckOutcome.FAIL if bad else CheckOutcome.PASS,
        evidence=tuple(evidence),
        finding_codes=("map-irregular",) if bad else (),
    )


def points_check(address: int, sheet: ModelSheet) -> Check:
    """Does a model hold its mandatory points?"""
    subject = f"address {address}, model {sheet.model_id}"
    title = f"Model {sheet.model_id} holds its mandatory points"
    if not sheet.published:
        return Check("points", subject, title, "", "not published", CheckOutcome.NOT_APPLICABLE)
    problems = []
    if sheet.missing:
        problems.append(f"not implemented: {_listed(sheet.missing)}")
    if sheet.unreadable:
        problems.append(f"cannot be read: {_listed(sheet.unreadable)}")
    within = sheet.mandatory - len(sheet.beyond)
    evidence = []
    if sheet.uncounted:
        evidence.append(
            Evidence(None, f"0, nothing counted yet or not implemented: {_listed(sheet.uncounted)}")
        )
    if sheet.absent:
        evidence.append(
            Evidence(None, f"optional, marked as not implemented: {_listed(sheet.absent)}")
        )
    evidence += [Evidence(None, remark) for remark in sheet.remarks]
    return Check(
        "points",
        subject,
        title,
        f"{sheet.mandatory} mandatory points",
        "; ".join(problems) or (f"all {within} there" if not sheet.beyond else f"{within} there"),
        CheckOutcome.FAIL if problems else CheckOutcome.PASS,
        evidence=tuple(evidence),
        finding_codes=("bench-points-missing",) if problems else (),
    )


def scales_check(address: int, sheet: ModelSheet, scale_points: int) -> Check:
    """Are the scale factors of a model in their range, and there where they are needed?"""
    subject = f"address {address}, model {sheet.model_id}"
    title = f"Model {sheet.model_id} has legal scale factors"
    bad = bool(sheet.wrong_scales)
    return Check(
        "scales",
        subject,
        title,
        f"-{_SCALE_LIMIT} to {_SCALE_LIMIT}, there for every point that needs one",
        "; ".join(sheet.wrong_scales) or f"{scale_points} scale factors, all legal",
        CheckOutcome.FAIL if bad else CheckOutcome.PASS,
        finding_codes=("bench-scale-factor",) if bad else (),
    )


def marks_check(address: int, sheet: ModelSheet) -> Check:
    """Does a model mark what it does not implement as published?"""
    subject = f"address {address}, model {sheet.model_id}"
    title = f"Model {sheet.model_id} marks what it does not implement"
    bad = bool(sheet.wrong_marks)
    return Check(
        "marks",
        subject,
        title,
        "the mark of the point's own type",
        _listed(sheet.wrong_marks) or f"{len(sheet.absent)} optional points marked, none wrongly",
        CheckOutcome.FAIL if bad else CheckOutcome.PASS,
        finding_codes=("bench-wrong-mark",) if bad else (),
    )


def scale_points(model_id: int) -> int:
    """How many scale factors a model has of its own."""
    definition = model_definition(model_id)
    points = () if definition is None else definition.group.points
    return sum(p.type is PointType.SUNSSF for p in points)


def model_checks(address: int, sheet: ModelSheet) -> tuple[Check, ...]:
    """All checks of one model."""
    checks = [points_check(address, sheet)]
    if sheet.published:
        scales = scale_points(sheet.model_id)
        if scales:
            checks.append(scales_check(address, sheet, scales))
        checks.append(marks_check(address, sheet))
    return tuple(checks)
