"""What listening tells, as findings."""

from __future__ import annotations

from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.line_health.disturbance import weigh_disturbance
from busprobe.diagnosis.listening.conversation import Conversation
from busprobe.diagnosis.listening.judge import Heard, LineState
from busprobe.diagnosis.listening.strays import strays_of
from busprobe.model.finding import Evidence, Finding
from busprobe.model.line import LineSettings

# An address that stayed silent so often is absent, or cannot answer. A device that drops a third of
# its requests would do so once in 27 times.
_ABSENT_AFTER = 3
_DROPS = 1 / 3
# Of the requests to an absent address; the rest meets noise or somebody's late answer.
_MOSTLY = 0.75
_DAMAGED_FROM = 2
_FEWEST_STRAYS = 3
_TELL_FROM = 0.9
_MOST_SURE = 0.999


def listening_findings(
    heard: Heard, conversation: Conversation, given: LineSettings | None, seconds: float
) -> list[Finding]:
    """Everything that listening says.

    Args:
        heard: What is on the line.
        conversation: Who talks with whom.
        given: Settings that were asked for, None where they were found.
        seconds: How long was listened [s].
    """
    found: list[Finding] = []
    if conversation.master_seen:
        found.append(_master(conversation))
        found += _per_device(conversation)
        if heard.state is LineState.CONVERSATION:
            found += _disturbed(conversation)
    if heard.state is LineState.CONVERSATION and len(heard.alternatives) > 1:
        listed = ", ".join(str(s) for s in heard.alternatives)
        found.append(
            finding(
                "format-undecided",
                probability=1.0,
                evidence=[
                    Evidence(None, f"{conversation.frames} whole frames at {heard.settings}")
                ],
                settings=heard.settings,
                listed=listed,
            )
        )
    how = ", ".join(f"{name} {p:.3f}" for name, p in heard.weights.items())
    evidence = [Evidence(None, f"in {seconds:.0f} s of listening; weighed: {how}")]
    if heard.state is LineState.SWAPPED:
        found.append(
            finding(
                "swapped-pair",
                probability=min(heard.probability, _MOST_SURE),
                evidence=evidence,
                where="at the tool's own clamps (or at the one device that talks)",
                settings=heard.settings,
            )
        )
    elif heard.state is LineState.FLOATING:
        found.append(
            finding(
                "no-bias",
                probability=min(heard.probability, _MOST_SURE),
                evidence=evidence,
                seen="",
            )
        )
    elif heard.state is LineState.NOISE:
        found.append(
            finding(
                "noise-heard", probability=min(heard.probability, _MOST_SURE), evidence=evidence
            )
        )
    elif heard.state is LineState.JABBER:
        found.append(
            finding("jabber", probability=min(heard.probability, _MOST_SURE), evidence=evidence)
        )
    elif heard.state is LineState.OTHER_SETTINGS:
        found.append(
            finding(
                "other-settings",
                probability=min(heard.probability, _MOST_SURE),
                evidence=evidence,
                settings=heard.settings,
                given=given or "the settings listened at",
            )
        )
    elif heard.state is LineState.UNDECIDED:
        found.append(
            finding("listening-undecided", probability=heard.probability, evidence=evidence)
        )
    return found


def _master(conversation: Conversation) -> Finding:
    addresses = ", ".join(str(d.address) for d in conversation.devices) or "none recognised"
    often = "" if conversation.poll_s is None else f", every {conversation.poll_s:.2f} s"
    return finding(
        "foreign-master",
        probability=_MOST_SURE if conversation.pairs else 0.98,
        evidence=[
            Evidence(
                None,
                f"{conversation.frames} whole frames, {conversation.pairs} requests with the "
                f"answer to them{often}",
            )
        ],
        addresses=addresses,
    )


def _disturbed(conversation: Conversation) -> list[Finding]:
    """An idle line that floats, or noise, beside a conversation."""
    seen, stray = strays_of(conversation.pieces)
    if seen.idle < _FEWEST_STRAYS:
        return []
    weights = weigh_disturbance(seen)
    evidence = [
        Evidence(
            None,
            f"{seen.idle} runs of stray bytes in {seen.idle_s:.1f} s of silence, {seen.pulses} of "
            f"them low pulses; {seen.frames} damaged frames in {seen.frame_s:.1f} s of frames",
        )
    ]
    found = []
    noise = weights["noise"] + weights["both"]
    floating = weights["floating"] + weights["both"]
    if floating >= _TELL_FROM:
        found.append(
            finding(
                "no-bias",
                probability=min(floating, _MOST_SURE),
                evidence=evidence,
                seen=f"such as {stray[:6].hex(' ').upper()} ",
            )
        )
    if noise >= _TELL_FROM and seen.frames:
        total = conversation.frames + seen.frames
        found.append(
            finding(
                "noisy-line",
                probability=min(noise, _MOST_SURE),
                evidence=evidence,
                share=f"{seen.frames} of {total} frames",
                where="",
            )
        )
    return found


def _per_device(conversation: Conversation) -> list[Finding]:
    found = []
    for device in conversation.devices:
        absent = not device.answers and device.unanswered >= _MOSTLY * device.requests
        if absent and device.unanswered >= _ABSENT_AFTER:
            found.append(
                finding(
                    "polled-absent",
                    address=device.address,
                    probability=min(_MOST_SURE, 1 - _DROPS**device.unanswered),
                    evidence=[
                        Evidence(
                            None,
                            f"{device.unanswered} of {device.requests} requests were followed "
                            "by nothing"
                            + (
                                f", or ({device.strays}) by a few stray bytes" * bool(device.strays)
                            ),
                        )
                    ],
                    count=device.unanswered,
                )
            )
        damaged = device.errors - device.exceptions
        if damaged >= _DAMAGED_FROM and damaged > 0.02 * device.requests:
            found.append(
                finding(
                    "overheard-damage",
                    address=device.address,
                    probability=0.95,
                    evidence=[
                        Evidence(
                            None,
                            f"{damaged} of {device.requests} requests were followed by bytes of no "
                            "frame, or by an answer that does not fit",
                        )
                    ],
                    damaged=damaged,
                    count=device.requests,
                )
            )
        if device.exceptions >= _DAMAGED_FROM and device.exceptions == device.answers:
            found.append(
                finding(
                    "polled-refused",
                    address=device.address,
                    probability=0.99,
                    evidence=[Evidence(None, f"all {device.exceptions} answers were exceptions")],
                )
            )
    return found
