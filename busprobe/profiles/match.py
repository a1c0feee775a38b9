"""Which profile fits a device, and why each other one does not.

A profile fits when one of its rules holds: what the device says of itself, what its registers hold,
or both. Registers are probed only where that can still decide: not for a profile whose identity
rule failed already, and not at all once a profile fits by what the device says of itself. No read
is made twice.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from busprobe.model.device import Identity
from busprobe.profiles.reads import ReadFailure, RegisterRead
from busprobe.profiles.registers import value_of
from busprobe.profiles.schema import DeviceProfile, IdentityRule, MatchRule, ProbeRule


@dataclass(frozen=True, slots=True)
class Rejection:
    """A profile that does not fit, and why."""

    profile: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MatchReport:
    """What came of the comparison.

    Attributes:
        fitting: Profiles that fit, the one with the most conditions met first; among equals those
            given first.
        rejected: All others.
    """

    fitting: tuple[DeviceProfile, ...]
    rejected: tuple[Rejection, ...]

    @property
    def best(self) -> DeviceProfile | None:
        """The profile to use, or None when none fits."""
        return self.fitting[0] if self.fitting else None


def _matches(pattern: str, text: str) -> bool:
    parts = (re.escape(part) for part in pattern.strip().split("*"))
    return re.fullmatch(".*".join(parts), text.strip(), re.IGNORECASE | re.DOTALL) is not None


def identity_mismatch(rule: IdentityRule, identity: Identity) -> str:
    """Why an identity does not fit a rule, or "" when it does."""
    if identity.source == "none":
        return "the device does not say who it is"
    for what in ("maker", "model", "version"):
        pattern = getattr(rule, what)
        text = getattr(identity, what)
        if pattern is not None and not _matches(pattern, text):
            return f"{what} is {text!r}, not {pattern!r}"
    return ""


def _conditions(rule: MatchRule) -> int:
    named = rule.identity
    texts = (named.maker, named.model, named.version) if named else ()
    return len(rule.probes) + sum(text is not None for text in texts)


def _probe_mismatch(
    rule: ProbeRule, profile: DeviceProfile, answer: tuple[int, ...] | ReadFailure
) -> str:
    where = f"register {rule.address}"
    if isinstance(answer, ReadFailure):
        return f"{where}: {answer}"
    value = value_of(rule, profile.order, answer)
    if rule.equals is not None:
        return "" if value == rule.equals else f"{where} holds {value!r}, not {rule.equals!r}"
    if not isinstance(value, int | float):
        return f"{where} holds no number"
    low = rule.lowest if rule.lowest is not None else value
    high = rule.highest if rule.highest is not None else value
    if low <= value <= high:
        return ""
    return f"{where} holds {value:g}, not between {low:g} and {high:g}"


_Key = tuple[int, int, int]


@dataclass(slots=True)
class _Candidate:
    profile: DeviceProfile
    reasons: list[str] = field(default_factory=list)
    conditions: int = 0
    by_identity: bool = False


class ProfileMatcher:
    """Compares a device with profiles; asks for the reads it needs, one after the other.

    Args:
        profiles: The profiles, those to be preferred among equals first. Profiles of SunSpec
            devices are left out: such a device has a map of its own.
        identity: What is known of the device.
    """

    def __init__(self, profiles: Sequence[DeviceProfile], identity: Identity) -> None:
        self._identity = identity
        self._candidates = [_Candidate(p) for p in profiles if not p.sunspec]
        self._answers: dict[_Key, tuple[int, ...] | ReadFailure] = {}
        self._settle()

    @staticmethod
    def _key(rule: ProbeRule, profile: DeviceProfile) -> _Key:
        return (rule.function or profile.function, rule.address, rule.size)

    def _rule_state(self, rule: MatchRule, profile: DeviceProfile) -> str | _Key | None:
        """Why the rule fails, "" when it holds, the read it still needs, in this order."""
        if rule.identity is not None:
            reason = identity_mismatch(rule.identity, self._identity)
            if reason:
                return reason
        for probe in rule.probes:
            key = self._key(probe, profile)
            if key not in self._answers:
                return key
            reason = _probe_mismatch(probe, profile, self._answers[key])
            if reason:
                return reason
        return ""

    def _settle(self) -> None:
        """Evaluate every profile on what is known; note the next read, if one can still decide."""
        self._next: RegisterRead | None = None
        wanted: list[tuple[_Key, DeviceProfile]] = []
        for candidate in self._candidates:
            candidate.reasons = []
            candidate.conditions = 0
            candidate.by_identity = False
            for rule in candidate.profile.match:
                state = self._rule_state(rule, candidate.profile)
                if state == "":
                    candidate.conditions = max(candidate.conditions, _conditions(rule))
                    candidate.by_identity |= rule.identity is not None
                elif isinstance(state, str):
                    candidate.reasons.append(state)
                elif state is not None:
                    wanted.append((state, candidate.profile))
                    candidate.reasons.append(
                        "not tried: another profile fits by what the device says of itself"
                    )
        if wanted and not any(c.by_identity for c in self._candidates):
            (function, address, quantity), profile = wanted[0]
            purpose = f"is it {profile.maker} {profile.model}?"
            self._next = RegisterRead(function, address, quantity, purpose)

    def next_read(self) -> RegisterRead | None:
        """The read to make next, or None when the comparison is over."""
        return self._next

    def take(self, answer: tuple[int, ...] | ReadFailure) -> None:
        """Take what came of the read.

        Raises:
            ValueError: No read was wanted.
        """
        if self._next is None:
            raise ValueError("the comparison is over")
        read = self._next
        if not isinstance(answer, ReadFailure) and len(answer) != read.quantity:
            answer = ReadFailure()
        self._answers[(read.function, read.address, read.quantity)] = answer
        self._settle()

    @property
    def report(self) -> MatchReport:
        """What is known so far."""
        fitting = [c for c in self._candidates if c.conditions]
        fitting.sort(key=lambda candidate: -candidate.conditions)
        rejected = tuple(
            Rejection(c.profile.name, tuple(dict.fromkeys(c.reasons)))
            for c in self._candidates
            if not c.conditions
        )
        return MatchReport(tuple(c.profile for c in fitting), rejected)


def settings_profile(
    profiles: Sequence[DeviceProfile], identity: Identity, used: str | None = None
) -> DeviceProfile | None:
    """The profile that says how the settings of a device are changed.

    Args:
        profiles: The profiles, those to be preferred first.
        identity: What the device says of itself.
        used: Name of the profile by which the device is read, if any; it goes first.

    Returns:
        None when no profile with settings fits by identity: then the change must not be tried.
    """
    for profile in profiles:
        if profile.name == used and profile.settings is not None:
            return profile
    for profile in profiles:
        named = [rule.identity for rule in profile.match if rule.identity and not rule.probes]
        fits = any(not identity_mismatch(rule, identity) for rule in named)
        if fits and profile.settings is not None:
            return profile
    return None
