"""Evidence and findings of the duplicate test, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.duplicate.hypotheses import Background
from busprobe.diagnosis.duplicate.observe import Kind, Observation
from busprobe.diagnosis.duplicate.types import DuplicateVerdict
from busprobe.model.device import Device
from busprobe.model.finding import Evidence, Finding, certainty

_WORDS = {
    Kind.TWO: "two whole answers to one request",
    Kind.TWICE: "the beginning of an answer twice, as two devices begin it",
    Kind.TAIL: "a whole answer, and more bytes after it",
    Kind.HEAD: "bytes before a whole answer",
    Kind.LONG: "more bytes than an answer has, none of them whole",
    Kind.GARBLED: "bytes of the length of an answer, without its head",
    Kind.SHRUNK: "fewer bytes than an answer has, none of them whole",
    Kind.BROKEN: "an answer of the right length with a wrong check",
    Kind.NICKED: "an answer damaged in one place, its end right",
    Kind.FRONT: "bytes before an answer whose own first bytes are wrong",
    Kind.START: "an answer whose first bytes are wrong, the rest right",
    Kind.EARLY: "an answer whose first bytes are wrong, so soon that the adapter may do it",
    Kind.COLLIDED: "what the answer becomes when it meets itself",
    Kind.FORKED: "an answer that is wrong only in its check and where two devices differ",
    Kind.TORN: "no whole answer, and framing errors all over",
    Kind.AGAIN: "the same damaged bytes as before",
    Kind.CUT: "an answer that lacks its first or last byte",
    Kind.SPECK: "a whole answer with one stray byte beside it",
    Kind.PULSE: "a whole answer with a short pulse beside it",
    Kind.FLANKED: "a whole answer with a lone 00 or FF beside it",
    Kind.LATE: "nothing but what may belong to the request before",
    Kind.BABBLE: "bytes at once after the request, as a line without bias gives them",
    Kind.SILENT: "no byte",
    Kind.CLEAN: "one whole answer and nothing else",
}
# What counts for two devices, most telling first.
_ORDER = tuple(_WORDS)
_SHOWN_BYTES = 12


@dataclass(frozen=True, slots=True)
class AtLimit:
    """An answer to a request at a rate that is a little off.

    Attributes:
        number: Number of the exchange.
        offset: How far off, as a share of the rate.
        serial: Serial number that answered, or "".
    """

    number: int
    offset: float
    serial: str


def evidence_of(
    observations: Sequence[Observation],
    pieces: Sequence[Observation],
    serials: Sequence[str],
    fragment: bytes,
    common: str,
    background: Background,
) -> tuple[Evidence, ...]:
    """What the verdict rests on: how often each kind was seen, and in which exchange first.

    Args:
        observations: Those of the test.
        pieces: Those that asked for a serial number register by register.
        serials: Serial numbers that a CRC proves.
        fragment: What was heard of a second answer, or nothing.
        common: How all their serial numbers begin, where no whole one was heard, or "".
        background: What other addresses of the line show.
    """
    told = []
    if len(serials) > 1:
        text = f"{len(serials)} serial numbers answered: {', '.join(serials)}"
        if pieces and len(serials) == 2:
            text += (
                f"; put together register by register in exchanges {pieces[0].number} to "
                f"{pieces[-1].number}, and right by the check of an answer to the whole number"
            )
        told.append(Evidence(None, text))
    elif common:
        told.append(Evidence(None, f"all their serial numbers begin with {common}"))
    elif fragment:
        told.append(
            Evidence(
                None,
                "of another answer to the request for the serial number only a piece was heard: "
                f"{_hex(fragment)}",
            )
        )
    total = sum(o.kind is not Kind.STRANGE for o in observations)
    counts = Counter(o.kind for o in observations)
    for kind in _ORDER:
        if counts[kind]:
            of_kind = [o for o in observations if o.kind is kind]
            shown = of_kind[0].tail or of_kind[0].head
            detail = f" ({_hex(shown)})" if shown and kind in (Kind.TAIL, Kind.HEAD) else ""
            told.append(
                Evidence(
                    of_kind[0].number, f"{counts[kind]} of {total} times {_WORDS[kind]}{detail}"
                )
            )
    if counts[Kind.STRANGE]:
        told.append(
            Evidence(
                None,
                f"{counts[Kind.STRANGE]} exchanges say nothing: a foreign master spoke in between",
            )
        )
    errors = [o.line_errors for o in observations if o.line_errors is not None]
    if errors and sum(errors):
        told.append(Evidence(None, f"{sum(errors)} characters with framing errors"))
    if background.answers:
        told.append(
            Evidence(
                None,
                f"other addresses of this line: {background.damaged} of {background.answers} "
                "answers damaged",
            )
        )
    return tuple(told)


def _hex(data: bytes) -> str:
    more = " ..." if len(data) > _SHOWN_BYTES else ""
    return data[:_SHOWN_BYTES].hex(" ").upper() + more


def evidence_of_limits(limits: Sequence[AtLimit], serials: Sequence[str]) -> tuple[Evidence, ...]:
    """What requests at rates that are a little off brought.

    Args:
        limits: Those that were answered.
        serials: Serial numbers that a CRC proves, the one heard as a rule first.
    """
    first: dict[str, AtLimit] = {}
    for heard in limits:
        first.setdefault(heard.serial, heard)
    told = [
        Evidence(
            heard.number,
            f"asked at a rate that is {100 * heard.offset:+.2f} % off, the device with the serial "
            f"number {serial} answered alone",
        )
        for serial, heard in first.items()
        if serial in serials[1:]
    ]
    if not told and len(limits) > 1 and len(first) == 1 and "" not in first:
        last = max(limits, key=lambda heard: abs(heard.offset))
        told.append(
            Evidence(
                last.number,
                "asked up to the limits of the rates that are understood "
                f"({100 * last.offset:+.2f} %), none but the same device answered",
            )
        )
    return tuple(told)


def manner_of(observations: Sequence[Observation], serials: int, *, only_at_limits: bool) -> str:
    """How the devices share the line, in words.

    Args:
        observations: Exchanges at the rate of the line.
        serials: How many serial numbers are known.
        only_at_limits: Whether one of them was heard at no rate but its own limit.
    """
    counts = Counter(o.kind for o in observations)
    captured = counts[Kind.TAIL] + counts[Kind.HEAD] + counts[Kind.SPECK] + counts[Kind.START]
    destroyed = counts[Kind.GARBLED] + counts[Kind.BROKEN] + counts[Kind.LONG] + counts[Kind.SHRUNK]
    both = counts[Kind.TWO] + counts[Kind.TWICE]
    most = max(both, captured, destroyed)
    if any(len(o.contents) > 2 for o in observations) or serials > 2:
        return "more than two answer"
    if not most or 4 * most < len(observations):
        if only_at_limits:
            return "one of them is never heard while the other answers"
        if serials > 1:
            return "now one is heard, now the other"
        return "most answers of one are not heard at all"
    if most == destroyed and not captured and not both and counts[Kind.CLEAN]:
        return "they answer in step, and destroy each other's answers where their data differ"
    if most == both:
        return "one answers after the other"
    if most == captured:
        return "one drowns the other, of whose answers only the ends are heard"
    return "their answers destroy each other"


def duplicate_finding(verdict: DuplicateVerdict, device: Device | None) -> Finding | None:
    """The finding for a verdict; None for "single" and "silent"."""
    name = None
    if device is not None and device.identity.source != "none":
        name = str(device.identity)
    if verdict.verdict == "duplicate":
        which = (
            f"They are the devices with the serial numbers {_listed(verdict.serials)}. "
            "Find both by their labels before a wire is loosened."
            if len(verdict.serials) > 1
            else f"One of them has the serial number {verdict.serials[0]}, by which its label is "
            "found; that of the other could not be read, and it is the one that still answers when "
            "the first is off the bus."
            if verdict.serials
            else "Their serial numbers could not be read, because no answer survives whole: each "
            "tells its own when it is alone on the bus."
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
            percent=certainty(verdict.probability),
        )
    return None


# Two in step that swap places with the adapter, or an exchange that nobody told of. Engineering
# judgement, no source.
_SHARED_NOT_EXCHANGED = 0.8


def another_meter_finding(verdict: DuplicateVerdict, serials: Sequence[str]) -> Finding:
    """The finding for an address at which one meter answers, and another one did before.

    Args:
        verdict: Of the last look.
        serials: Serial numbers that answered, one in each look, the last one now.
    """
    told = Evidence(None, f"answered here, one in each test: {', '.join(serials)}")
    return finding(
        "another-meter",
        address=verdict.address,
        device=None,
        probability=_SHARED_NOT_EXCHANGED,
        evidence=(told, *verdict.evidence),
        after=serials[-1],
        before=serials[-2],
    )


def _listed(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}"
