"""The one line that says what to do next."""

from __future__ import annotations

from busprobe.session.events import Step
from busprobe.tui.state import JobState, StepState


def next_hint(state: JobState, shown: Step) -> str:
    """What to do next, for somebody who sees this screen for the first time."""
    if state.prompt is not None:
        return _prompt(state, shown)
    if state.running is not None:
        return _running(state, shown)
    if not state.is_open:
        if state.opening:
            return "Opening the link."
        if shown is not Step.LINK:
            return "Press 1 and open a link first."
        if state.error is not None:
            return state.error.next_step
        return "Choose a link with the arrow keys and press s to open it."
    return _idle(state, shown)


def _prompt(state: JobState, shown: Step) -> str:
    if shown is not Step.WIRING:
        return "You are asked to do something: press 5."
    if state.prompt is not None and state.prompt.answerable:
        return "Press h and simulated hands do it; or do it yourself and press y."
    return "Do it, then press y. If you cannot, press n."


def _running(state: JobState, shown: Step) -> str:
    if state.running is shown:
        if state.hands_help:
            return "Simulated hands switch the load: watch the trend. x stops."
        return "Wait, or press x to stop at once."
    number = tuple(Step).index(state.running or Step.FIND) + 1
    return f"Another step runs: press {number} to see it, x to stop it."


def _idle(state: JobState, shown: Step) -> str:
    view = state.steps[shown]
    match shown:
        case Step.LINK:
            return "The link is open. Press 2 to find who answers."
        case Step.FIND:
            if state.watched:
                return "Live values are read again and again: w stops. Left/right selects."
            if view.state is not StepState.DONE:
                return "Press s to ask every address who is there. Nothing is written."
            if not state.devices:
                return "Nobody answered: check power, A/B and settings, then press s."
            if state.steps[Step.ADDRESSES].state is StepState.TO_DO:
                return "Press w for live values, left/right for a device. Then press 3."
            return "Press w for live values, left/right for another device."
        case Step.ADDRESSES:
            if not state.devices:
                return "Press 2 and find the devices first."
            if view.state is not StepState.DONE:
                return "Press s to find out whether two devices share an address."
            if any(d.duplicate == "duplicate" for d in state.devices.values()):
                return "Press d to read what to do about it; 5 goes on to the wiring."
            return "Press 5 to prove the wiring of each meter."
        case Step.WIRING:
            return _wiring(state)
        case _:
            return "This step is not in this version: go on with another one."


def _wiring(state: JobState) -> str:
    if state.selected is None:
        return "Press 2 and find the meters first."
    diagnosis = state.wiring.get(state.selected)
    if diagnosis is None:
        return "Select the meter with left/right, set the load, then press s."
    if diagnosis.next_experiment:
        return "More than one wiring fits: do the experiment named below."
    return "Read the remedy, mend, press s again. Left/right: next meter."
