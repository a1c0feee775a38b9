"""Does one meter agree with itself?

Every check is an identity between registers of one poll, with a tolerance from the register steps
and from how alike two values of one meter are. None needs a second instrument.

A meter refreshes its registers one after the other. While a load is switched, current and apparent
power of one poll may belong to different instants, so a poll alone proves little. Identities of
power are told when two phases break them by the same power of ten, or when they break in poll after
poll.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.identities import NOISE_VA, POWERS_OF_TEN, WRAPPED, Doubt, doubts_of
from busprobe.model.finding import Evidence, Finding
from busprobe.model.reading import PHASES, Reading, ReadingState
from busprobe.profiles.definitions import PointType, model_definition
from busprobe.profiles.uniform import Uniform

# A wrong scale is the same in every poll; how far the factor may spread. Common practice.
STEADY = 1.1
# int16 headroom: told from here on.
HEADROOM = 30000
# Identities that a switching load breaks for a moment.
_UNSTEADY = {
    "apparent-power-mismatch",
    "power-exceeds-apparent",
    "sum-mismatch",
    "power-factor-mismatch",
}


def _proved_by(doubt: Doubt, others: Sequence[Doubt]) -> bool:
    """Whether the poll itself proves the doubt.

    A value that is off by just one turn of its register does, or another phase that breaks the same
    identity by the same power of ten.
    """
    reason = doubt.facts.get("explanation")
    if reason == WRAPPED:
        return True
    return reason in POWERS_OF_TEN and any(
        o.code == doubt.code and o.subject != doubt.subject and o.facts["explanation"] == reason
        for o in others
    )


def _steady(same: Sequence[Doubt]) -> bool:
    """Whether an identity is broken by the same factor every time: a wrong scale, not a load."""
    ratios = [doubt.ratio for doubt in same]
    if min(ratios) <= 0 <= max(ratios):
        return False
    sizes = [abs(ratio) for ratio in ratios]
    return max(sizes) == min(sizes) or max(sizes) <= STEADY * min(sizes)


def needs_another_poll(found: Uniform, *, nominal_v: float = 230.0) -> bool:
    """Whether a poll breaks an identity that only further polls can prove.

    Poll again a few times then, and give all polls to `plausibility_findings`.
    """
    doubts = doubts_of(found, nominal_v)
    return any(d.code in _UNSTEADY and not _proved_by(d, doubts) for d in doubts)


def plausibility_findings(
    address: int | None,
    device: str | None,
    *polls: Uniform,
    nominal_v: float = 230.0,
    exchange: int | None = None,
) -> tuple[Finding, ...]:
    """Check polls of one meter against themselves.

    Args:
        address: Address of the meter.
        device: Text that names it, already safe.
        polls: Its uniform quantities, with register steps where they are known; one poll or more.
        nominal_v: Nominal line-to-neutral voltage of the supply [V].
        exchange: Number of the exchange that the last poll came from, where it is one.

    Returns:
        A finding for every identity that does not hold; none for a meter that agrees with itself.
    """
    each = [doubts_of(poll, nominal_v) for poll in polls]
    seen: dict[tuple[str, str], list[Doubt]] = {}
    for doubts in each:
        for doubt in doubts:
            seen.setdefault((doubt.code, doubt.subject), []).append(doubt)
    told = []
    for same in seen.values():
        doubt = same[-1]
        # Two polls out of three: one may fall into a switching again.
        lasts = 3 * len(same) >= 2 * len(polls)
        if doubt.code in _UNSTEADY:
            proved = len(same) > 1 and _steady(same)
            alone = any(doubt in doubts and _proved_by(doubt, doubts) for doubts in each)
            lasts = lasts and (proved or alone)
        if not lasts:
            continue
        told.append(
            finding(
                doubt.code,
                probability=doubt.probability,
                evidence=[Evidence(exchange, doubt.seen)],
                address=address,
                device=device,
                **doubt.facts,
            )
        )
    return tuple(told)


def headroom_findings(
    address: int | None, device: str | None, model_id: int, readings: Iterable[Reading]
) -> tuple[Finding, ...]:
    """Values of a SunSpec model that are about to leave their signed 16-bit register.

    Args:
        address: Address of the device.
        device: Text that names it, already safe.
        model_id: The model.
        readings: Decoded from it.
    """
    model = model_definition(model_id)
    points = model.group.points if model else ()
    narrow = {p.name for p in points if p.type is PointType.INT16 and p.units}
    close: dict[str, int] = {}
    for reading in readings:
        if reading.name in narrow and reading.state is ReadingState.OK:
            raw = reading.raw[0]
            signed = raw - 0x10000 if raw & 0x8000 else raw
            if abs(signed) > HEADROOM:
                close[reading.name] = signed
    if not close:
        return ()
    counts = ", ".join(str(raw) for raw in close.values())
    seen = ", ".join(f"{name} = {raw} counts" for name, raw in close.items())
    return (
        finding(
            "register-headroom",
            probability=1.0,
            evidence=[Evidence(None, seen)],
            address=address,
            device=device,
            names=", ".join(close),
            raw=counts,
        ),
    )


def scale_factor_finding(
    address: int | None, device: str | None, names: Sequence[str]
) -> Finding | None:
    """Scale factors that changed between two polls (`profiles.decode.changed_scale_factors`)."""
    if not names:
        return None
    joined = ", ".join(names)
    return finding(
        "scale-factor-changes",
        probability=1.0,
        evidence=[Evidence(None, f"{joined} differed between two polls")],
        address=address,
        device=device,
        names=joined,
    )


def power_factor_convention(quantities: Mapping[str, float]) -> str:
    """What the sign of the power factors means.

    Returns:
        "iec" (sign of P), "eei" (minus for lagging, plus for leading: minus the sign of P Q),
        "unsigned", "unclear" (not enough phases with P and Q) or "inconsistent".

    References: sign conventions as tabled in meter manuals after IEC 61557-12 and the EEI handbook.
    """
    votes = {"iec": True, "eei": True, "unsigned": True}
    decisive = 0
    for phase in PHASES:
        names = (f"PF_{phase}", f"P_{phase}", f"Q_{phase}")
        if any(name not in quantities for name in names):
            continue
        pf, p, q = (quantities[name] for name in names)
        if not pf or abs(p) < 5 * NOISE_VA or abs(q) < 0.1 * abs(p):
            continue
        decisive += 1
        votes["iec"] &= (pf > 0) == (p > 0)
        votes["eei"] &= (pf > 0) == (p * q < 0)
        votes["unsigned"] &= pf > 0
    left = [name for name, holds in votes.items() if holds]
    if not decisive or len(left) > 1:
        return "unclear"
    return left[0] if left else "inconsistent"
