"""How a meter behaves on the bus: its name, its answers, refusals, rests and long reads."""

from __future__ import annotations

from collections.abc import Sequence
from math import comb

from busprobe.diagnosis.bench.types import Measured, SettingsStatistics
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device
from busprobe.model.finding import Evidence, Finding
from busprobe.model.line import told_together

# In place of an exception code: a normal answer.
ANSWERED = 0
# A loss is put down to the short rest when chance alone would give it once in so many times.
_SURE = 0.01
_MAYBE = 0.2


def identity_check(device: Device) -> Check:
    """Does it say who it is, down to the serial number?"""
    identity = device.identity
    missing = [
        word
        for word, text in (
            ("maker", identity.maker),
            ("model", identity.model),
            ("serial number", identity.serial),
        )
        if not text
    ]
    found = f"{identity} {identity.serial}".strip()
    return Check(
        "identity",
        f"address {device.address}",
        "It says who it is",
        "maker, model and serial number",
        found if not missing else f"{found}; missing: {', '.join(missing)}",
        CheckOutcome.PASS if not missing else CheckOutcome.FAIL,
        finding_codes=("bench-nameless",) if missing else (),
    )


def device_address_check(address: int, stated: int | None, *, serial_line: bool) -> Check:
    """Does the common model state the address at which the device answers (point DA)?

    Args:
        address: Where it answers.
        stated: DA, None where it is not implemented.
        serial_line: Whether the line is a serial one; on TCP the unit identifier means little.
    """
    subject, title = f"address {address}", "Its map states its own address (DA)"
    if stated is None:
        # "Mandatory for all SunSpec RTU devices": detail text of DA in the published model 1, which
        # marks the point optional all the same.
        return Check(
            "device-address", subject, title, f"{address}", "not implemented",
            CheckOutcome.NOT_APPLICABLE,
            "the published model 1 asks for it on serial lines in its text only",
        )  # fmt: skip
    wrong = serial_line and stated != address
    return Check(
        "device-address", subject, title, f"{address}", f"{stated}",
        CheckOutcome.FAIL if wrong else CheckOutcome.PASS,
        finding_codes=("bench-device-address",) if wrong else (),
    )  # fmt: skip


def readings_check(address: int, findings: Sequence[Finding], polls: int) -> Check:
    """Do its values agree with each other and with what a supply can be?"""
    # What a scale factor does to values is told where the scale factor is.
    told = [
        f
        for f in findings
        if f.severity.value != "note"
        and not (f.code == "reading-suspect" and "scale factor" in f.cause)
    ]
    return Check(
        "readings",
        f"address {address}",
        "Its readings agree with each other",
        "V of a supply, S = V I, |P| within S, totals the sum of phases",
        "; ".join(f.summary for f in told) or f"they do, in {polls} polls",
        CheckOutcome.FAIL if told else CheckOutcome.PASS,
        evidence=tuple(e for f in told for e in f.evidence),
        finding_codes=tuple(dict.fromkeys(f.code for f in told)),
    )


def _place(address: int, statistics: SettingsStatistics) -> str:
    return f"address {address}" + ("" if statistics.current else f" at {statistics.settings}")


def answers_check(address: int, statistics: SettingsStatistics) -> Check:
    """Does it answer every time, at one setting?"""
    subject, title = _place(address, statistics), "It answers every request"
    if statistics.measured is not Measured.YES or not statistics.requests:
        failed = statistics.measured is Measured.FAILED
        return Check(
            "answers", subject, title, "", statistics.why or "stopped",
            CheckOutcome.FAIL if failed else CheckOutcome.NOT_TESTED,
            finding_codes=("bench-settings-refused",) if failed else (),
        )  # fmt: skip
    asked, answered = statistics.requests, statistics.answered
    lost = asked - answered
    # Rule of three: with no loss in n, the rate is below 3/n with 95 % confidence.
    bound = f"loss rate below {300 / asked:.1f} % with 95 % confidence" if not lost else ""
    evidence: tuple[Evidence, ...] = ()
    if statistics.exchanges is not None:
        first, last = statistics.exchanges
        evidence = (Evidence(first, f"first of {asked} requests, the last is exchange {last}"),)
    times = ""
    if statistics.median_ms is not None and statistics.p95_ms is not None:
        times = (
            f", turn-around {statistics.median_ms:.1f} ms, 95 % within {statistics.p95_ms:.1f} ms, "
            f"longest {statistics.worst_ms or statistics.p95_ms:.1f} ms"
        )
    return Check(
        "answers",
        subject,
        title,
        f"{asked} requests at {statistics.settings}",
        f"{answered} answered{times}",
        CheckOutcome.PASS if not lost else CheckOutcome.FAIL,
        bound,
        evidence,
        ("bench-answers-lost",) if lost else (),
    )


def settings_check(address: int, untested: Sequence[SettingsStatistics], why: str) -> Check:
    """The other settings that a device offers, where none of them was measured."""
    return Check(
        "settings",
        f"address {address}",
        "It answers at every setting it offers",
        told_together(s.settings for s in untested),
        why,
        CheckOutcome.NOT_TESTED,
    )


def gap_check(address: int, statistics: SettingsStatistics, t3_5_ms: float, tried: str) -> Check:
    """Does it bear requests that follow each other after t3.5?"""
    subject, title = _place(address, statistics), "It needs no long rest between requests"
    if statistics.measured is not Measured.YES or statistics.gap_ms is None:
        none = statistics.measured is Measured.YES and bool(tried)
        return Check(
            "gap", subject, title, f"t3.5, {t3_5_ms:.2f} ms", tried or statistics.why or "stopped",
            CheckOutcome.FAIL if none else CheckOutcome.NOT_TESTED,
            finding_codes=("bench-needs-rest",) if none else (),
        )  # fmt: skip
    right = statistics.gap_ms <= t3_5_ms * 1.001
    return Check(
        "gap",
        subject,
        title,
        f"t3.5, {t3_5_ms:.2f} ms",
        f"{statistics.gap_ms:.2f} ms, {tried}",
        CheckOutcome.PASS if right else CheckOutcome.FAIL,
        "" if right else "the next shorter rest that was tried lost requests",
        finding_codes=() if right else ("bench-needs-rest",),
    )


def chance(lost: int, asked: int, base_lost: int, base_asked: int) -> float:
    """Probability that chance alone puts at least `lost` of all losses among `asked` requests.

    Fisher's exact test, one-sided (R. A. Fisher, 1934): both series lose at the same rate.

    Args:
        lost: Losses with the short rest.
        asked: Requests with it.
        base_lost: Losses with a long rest.
        base_asked: Requests with that.
    """
    losses, everything = lost + base_lost, asked + base_asked
    ways = sum(
        comb(asked, k) * comb(base_asked, losses - k)
        for k in range(lost, min(asked, losses) + 1)
        if losses - k <= base_asked
    )
    return ways / comb(everything, losses)


def rest_matters(lost: int, asked: int, base_lost: int, base_asked: int) -> bool | None:
    """Whether requests are lost because of the short rest; None: ask more to know."""
    if not lost:
        return False
    by_chance = chance(lost, asked, base_lost, base_asked)
    if by_chance < _SURE:
        return True
    return False if by_chance > _MAYBE else None


def _refusal_words(code: int | None) -> str:
    if code is None:
        return "silent"
    return f"exception {code:02X}" if code else "an answer"


def exceptions_check(
    address: int, cases: Sequence[tuple[str, int | None, tuple[int, ...]]]
) -> Check:
    """Does it refuse illegal requests as the standard says?

    Args:
        address: Its address.
        cases: Words of the request, the exception code that came (None: silence, 0: an answer), and
            those that the standard allows.
    """
    wrong = [
        f"{words}: {_refusal_words(code)}" for words, code, allowed in cases if code not in allowed
    ]
    return Check(
        "exceptions",
        f"address {address}",
        "It refuses illegal requests with the right exception",
        "; ".join(f"{w}: {' or '.join(map(_refusal_words, ok))}" for w, _, ok in cases),
        "; ".join(wrong) or "as the standard says",
        CheckOutcome.FAIL if wrong else CheckOutcome.PASS,
        "MODBUS Application Protocol V1.1b3, sections 6.1, 6.3 and 7",
        finding_codes=("bench-wrong-refusal",) if wrong else (),
    )


def long_read_check(address: int, given: int, wanted: int) -> Check:
    """Does it give long reads?

    Args:
        address: Its address.
        given: Most registers that it gave in one answer.
        wanted: Registers of its map side by side, at most 125.
    """
    whole = given >= wanted
    return Check(
        "long-reads",
        f"address {address}",
        "It gives long reads",
        f"{wanted} registers of its map",
        f"{given} registers in one answer",
        CheckOutcome.PASS if whole else CheckOutcome.FAIL,
        "125 registers are legal (MODBUS Application Protocol V1.1b3, section 6.3)",
        finding_codes=() if whole else ("bench-short-reads",),
    )


def label_text(
    device: Device, settings: str, day: str, checks: Sequence[Check], *, complete: bool = True
) -> str:
    """What to write on the meter's label; what was not tested is not hidden on it."""
    identity = device.identity
    outcomes = [check.outcome for check in checks]
    untested = outcomes.count(CheckOutcome.NOT_TESTED)
    end = "NOT passed" if CheckOutcome.FAIL in outcomes else "passed"
    if end == "passed" and not complete:
        end = "NOT finished"
    elif end == "passed" and untested:
        end += f", {untested} not tested"
    return "\n".join(
        (
            f"{identity}",
            f"S/N {identity.serial or 'unknown'}",
            f"Modbus address {device.address}, {settings}",
            f"bench test {day}: {end}",
        )
    )
