"""Evidence and findings of the duplicate test, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.duplicate.hypotheses import Background
from busprobe.diagnosis.duplicate.observe import Kind, Observation
from busprobe.diagnosis.duplicate.types import DuplicateVerdict
from busprobe.model.device import Device
from busprobe.model.finding import Evidence, Finding

_WORDS = {
    Kind.TWO: "two whole answers to one request",
    Kind.TAIL: "a whole answer, and more bytes after it",
    Kind.HEAD: "bytes before a whole answer",
    Kind.GARBLED: "bytes that are no answer, neither in length nor in head",
    Kind.BROKEN: "an answer of the right length with a wrong check",
    Kind.FLANKED: "a whole answer with a lone 00 or FF beside it",
    Kind.SILENT: "no byte",
    Kind.CLEAN: "one whole answer and nothing else",
}
# What counts for two devices, most telling first.
_ORDER = (
    Kind.TWO,
    Kind.TAIL,
    Kind.HEAD,
    Kind.GARBLED,
    Kind.BROKEN,
    Kind.FLANKED,
    Kind.SILENT,
    Kind.CLEAN,
)


def evidence_of(
    observations: Sequence[Observation], serials: Sequence[str], background: Background
) -> tuple[Evidence, ...]:
    """What the verdict rests on: how often each kind was seen, and in which exchange first."""
    total = len(observations)
    counts = Counter(o.kind for o in observations)
    told = []
    if len(serials) > 1:
        told.append(Evidence(None, f"{len(serials)} serial numbers answered: {', '.join(serials)}"))
    for kind in _ORDER:
        if counts[kind]:
            first = next(o for o in observations if o.kind is kind)
            shown = (first.tail or first.head)[:12].hex(" ").upper()
            detail = f" ({shown} ...)" if shown and kind in (Kind.TAIL, Kind.HEAD) else ""
            told.append(
                Evidence(first.number, f"{counts[kind]} of {total} times {_WORDS[kind]}{detail}")
            )
    errors = [o.line_errors for o in observations if o.line_errors is not None]
    if errors and sum(errors):
        told.append(Evidence(None, f"{sum(errors)} characters with framing errors"))
    if background.characters:
        told.append(
            Evidence(
                None,
                f"other addresses of this line: {background.damaged} of {background.characters} "
                "characters damaged",
            )
        )
    return tuple(told)


def duplicate_finding(verdict: DuplicateVerdict, device: Device | None) -> Finding | None:
    """The finding for a verdict; None for "single" and "silent"."""
    name = None
    if device is not None and device.identity.source != "none":
        name = str(device.identity)
    if verdict.verdict == "duplicate":
        which = (
            f"They are the devices with the serial numbers {' and '.join(verdict.serials[:3])}."
            if len(verdict.serials) > 1
            else f"One of them has the serial number {verdict.serials[0]}."
            if verdict.serials
            else "Their serial numbers could not be read: no answer survives whole."
        )
        return finding(
            "duplicate-address",
            address=verdict.address,
            device=name,
            probability=verdict.probability,
            evidence=verdict.evidence,
            which=which,
            manner=verdict.manner,
        )
    if verdict.verdict == "undecided":
        return finding(
            "duplicate-undecided",
            address=verdict.address,
            device=name,
            probability=verdict.probability,
            evidence=verdict.evidence,
            percent=f"{100 * verdict.probability:.0f} %",
        )
    return None
