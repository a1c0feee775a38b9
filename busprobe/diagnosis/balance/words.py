"""What cannot be told, and what would tell it, in the words of the trade."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busprobe.diagnosis.balance.meters import between
from busprobe.diagnosis.balance.types import MeterBalance, Place, Positive, Role, Sign

if TYPE_CHECKING:
    from busprobe.diagnosis.balance.unsettled import Open

# A source has to change by this in all for the grid meter to show it [W].
MOVES_W = 300.0
UNMETERED = 0.2
FAULTY = (Place.NOT_IN_BALANCE, Place.CONSUMER, Place.OTHER_SOURCE, Place.BEHIND_OTHER_METER)


def not_identifiable(state: Open) -> tuple[str, ...]:
    """What this evidence cannot tell."""
    found: list[str] = []
    if state.grid_held:
        found.append(
            "Something that is not measured here (a battery, as a rule) holds the grid near zero, "
            "and hides from the feed-in meter what the sources do."
        )
    for number in sorted(state.in_loop):
        found.append(
            f"The ratio of {state.meters[1 + number].name}: it holds the grid at zero itself, and "
            "a loop would do that with any ratio. Nor can be told meanwhile whether a single CT of "
            f"{state.meters[0].name} is reversed."
        )
    grid = state.meters[0]
    if grid.sign is Sign.UNKNOWN and grid.true_w is not None:
        found.append(
            f"{grid.name} shows export as positive: whether that is its convention or its CTs are "
            "reversed, its counters tell once they have moved."
        )
    for meter, source in zip(state.meters[1:], state.evidence.sources, strict=True):
        name = meter.name
        if not source.live:
            found.append(f"{name} showed no power all the time: nothing can be said of it.")
            continue
        if source.track.known.positive is Positive.UNKNOWN:
            found.append(
                f"{name}: nothing tells which sign of its registers means generation, so that "
                "right and reversed cannot be told; only which way it really flows."
            )
        for one in meter.inputs:
            if between(one) and one.estimate is not None:
                found.append(
                    f"{name}, input {one.input}: the feed-in meter says {abs(one.estimate):.2f} "
                    "shown per true watt, which is none of the usual ratios: a CT of another size, "
                    "or something that moves together with it."
                )
        counted = meter.counters is not None and meter.counters.positive is not Positive.UNKNOWN
        if meter.sign is not Sign.UNKNOWN and meter.role is Role.GENERATOR and not counted:
            found.append(
                f"{name}: no counters show which sign means generation; it was taken as it is "
                "usual, or as it was given. If that is wrong, right and reversed change places."
            )
        steady = source.largest_w < MOVES_W
        if steady and not meter.decided:
            found.append(
                f"{name} changed by no more than {source.largest_w:.0f} W: a steady source and a "
                "steady load cannot be told apart, nor can a wrong ratio."
            )
        scaled = meter.ratio not in (None, 0.0, 1.0) and not any(
            i.wrong_phase for i in meter.inputs
        )
        if meter.decided and scaled and len(state.meters) == 2:
            found.append(
                f"Whether the ratio of {name} or that of the feed-in meter is wrong: two meters "
                "only tell their quotient. A known load at the feed-in meter tells."
            )
        if any(i.wrong_phase is None for i in meter.inputs):
            found.append(
                f"{name} shows half: a CT on the wrong phase, or a ratio of two with the direction "
                "that it seems to have. Without reactive power (or voltage and current) both fit."
            )
        if len(source.live) > 1 and any(i.phase is None for i in meter.inputs):
            found.append(
                f"Which input of {name} is on which phase: a symmetrical source moves all three "
                "alike; only fine voltages of both meters, compared for a minute, tell."
            )
    if state.unmetered > UNMETERED:
        found.append(
            "Whether a source feeds in that nobody measures, or a meter counts wrong: both make "
            "the house come out negative."
        )
    return tuple(found)


def next_experiment(state: Open) -> str | None:
    """What would tell more."""
    if state.grid_held:
        return (
            "Read the hybrid inverter as well (--hybrid), or stop the battery for the test: set "
            "its power to zero."
        )
    if state.in_loop and not state.meters[0].decided:
        return "Stop the battery for the test (set its power to zero) and repeat it."
    wanted = [
        (meter, source)
        for meter, source in zip(state.meters[1:], state.evidence.sources, strict=True)
        if not meter.decided and meter.role is not Role.BATTERY
    ]
    if not wanted:
        if state.unmetered > UNMETERED:
            return "Look for a source without a meter, and switch it off for the test."
        if state.meters[0].decided:
            return _check_repair(state.meters)
        wanted = list(zip(state.meters[1:], state.evidence.sources, strict=True))
    meter, source = max(wanted, key=lambda each: abs(each[0].mean_w))
    if not source.live:
        return f"Start what {meter.name} measures, and repeat the test."
    if source.track.known.positive is Positive.UNKNOWN and meter.probability >= 0.9:
        return (
            f"Read {meter.name} until its counters have moved: they tell what its sign means; or "
            "say it."
        )
    if meter.role is Role.LOAD:
        return f"Switch what {meter.name} measures off and on again, twice."
    return (
        f"Hold {meter.name} back to a tenth of its power for 40 s and set it free again, twice. "
        "Without a way to do that, wait for clouds or for the night."
    )


def _check_repair(meters: tuple[MeterBalance, ...]) -> str | None:
    faulty = [m for m in meters if m.sign is Sign.REVERSED or m.place in FAULTY]
    if faulty:
        return "Repeat the test after the repair."
    return None
