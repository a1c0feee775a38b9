"""Is a meter on the table what it should be? Checks of one device from what it answered. Pure."""

from __future__ import annotations

from busprobe.diagnosis.bench.accuracy import (
    CLASSES,
    AccuracyClass,
    Rating,
    Reference,
    parse_references,
    reference_checks,
    reference_results,
)
from busprobe.diagnosis.bench.behaviour import (
    ANSWERED,
    answers_check,
    chance,
    device_address_check,
    exceptions_check,
    gap_check,
    identity_check,
    label_text,
    long_read_check,
    readings_check,
    rest_matters,
    settings_check,
)
from busprobe.diagnosis.bench.counter import counter_check
from busprobe.diagnosis.bench.findings import BENCH_CODES, bench_findings
from busprobe.diagnosis.bench.register_map import (
    lengths_check,
    map_check,
    model_checks,
    model_sheet,
    profile_check,
)
from busprobe.diagnosis.bench.types import (
    BenchSheet,
    Measured,
    ModelSheet,
    ReferenceResult,
    SettingsStatistics,
)

__all__ = [
    "ANSWERED",
    "BENCH_CODES",
    "CLASSES",
    "AccuracyClass",
    "BenchSheet",
    "Measured",
    "ModelSheet",
    "Rating",
    "Reference",
    "ReferenceResult",
    "SettingsStatistics",
    "answers_check",
    "bench_findings",
    "chance",
    "counter_check",
    "device_address_check",
    "exceptions_check",
    "gap_check",
    "identity_check",
    "label_text",
    "lengths_check",
    "long_read_check",
    "map_check",
    "model_checks",
    "model_sheet",
    "parse_references",
    "profile_check",
    "readings_check",
    "reference_checks",
    "reference_results",
    "rest_matters",
    "settings_check",
]
