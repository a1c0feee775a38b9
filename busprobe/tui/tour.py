"""The guided tour of the demonstration: a few minutes through all seven steps of the job."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from busprobe.session.events import Step
from busprobe.tui.state import JobState, StepState


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop of the tour: what to say, and when it is over."""

    text: str
    reached: Callable[[JobState, Step, bool], bool]


def _found(state: JobState) -> bool:
    ended = state.steps[Step.FIND].state in (StepState.DONE, StepState.STOPPED)
    return ended and bool(state.devices)


def _slow_round(state: JobState) -> bool:
    """Whether everybody who answers quickly is known, and only sleepers are looked for."""
    progress = state.steps[Step.FIND].progress
    return _found(state) or (progress is not None and "second round" in progress.text)


def _checked(state: JobState, step: Step) -> bool:
    if state.steps[Step.ADDRESSES].state is StepState.DONE:
        return True
    twice = any(d.duplicate == "duplicate" for d in state.devices.values())
    return twice and step is Step.ADDRESSES


def _proven(state: JobState, address: int) -> bool:
    diagnosis = state.wiring.get(address)
    ended = state.steps[Step.WIRING].state is StepState.DONE
    return ended and diagnosis is not None and diagnosis.verdict.value != "undecided"


def _line_looked_at(state: JobState) -> bool:
    return state.steps[Step.LINE].state in (StepState.DONE, StepState.STOPPED)


def demo_stops(meter: int) -> tuple[Stop, ...]:
    """The stops, for a site where the wiring of the meter at address `meter` is to be proven."""
    return (
        Stop(
            "Welcome. This bus is simulated: nothing can break. Press s to open the link.",
            lambda state, _step, _read: state.is_open,
        ),
        Stop(
            "The laptop hangs on the bus. Press o: a quick search asks every address who is there.",
            lambda state, _step, _read: _slow_round(state),
        ),
        Stop(
            "Everybody is known. This second, slower round only catches sleepy devices: press x, "
            "it may be stopped.",
            lambda state, _step, _read: _found(state),
        ),
        Stop(
            "Do two meters share an address? Press 3, then s if it was not tested yet.",
            lambda state, step, _read: _checked(state, step),
        ),
        Stop(
            "Two meters speak at once at address 1. Press d to read why and what to do, then b.",
            lambda _state, _step, read: read,
        ),
        Stop(
            f"Now the CTs. Press 5, choose the meter at address {meter} with the right arrow, "
            "then press s.",
            lambda state, _step, _read: state.running is Step.WIRING or _proven(state, meter),
        ),
        Stop(
            "Soon you are asked to switch a load. Press h then: simulated hands do it. Watch the "
            "trend.",
            lambda state, _step, _read: _proven(state, meter),
        ),
        Stop(
            "A CT the wrong way round: proven, with remedy and caution. Now the line: press 4, "
            "then s; x stops it.",
            lambda state, _step, _read: _line_looked_at(state),
        ),
        Stop(
            "What is wrong with the line, and how sure that is. Press 6: do the meters add up?",
            lambda _state, step, _read: step in (Step.ENERGY, Step.HANDOVER),
        ),
        Stop(
            "Not while two share address 1: one gets another address first (3, then a). Press 7 "
            "for the last step.",
            lambda _state, step, _read: step is Step.HANDOVER,
        ),
        Stop(
            "Here the site is held against its plan, and a real visit gets its report. f shows "
            "every frame, k ends the tour.",
            lambda _state, _step, _read: False,
        ),
    )


class Tour:
    """Where the tour stands; it only ever goes forward."""

    def __init__(self, stops: tuple[Stop, ...]) -> None:
        self.stops = stops
        self.position = 0
        self.skipped = False

    @property
    def over(self) -> bool:
        """Whether there is nothing left to say."""
        return self.skipped

    @property
    def text(self) -> str:
        """What the present stop says."""
        return self.stops[self.position].text

    def advance(self, state: JobState, step: Step, read_finding: bool) -> None:
        """Go on past every stop that is reached."""
        while self.position < len(self.stops) - 1 and self.stops[self.position].reached(
            state, step, read_finding
        ):
            self.position += 1

    def skip(self) -> None:
        """End the tour."""
        self.skipped = True
