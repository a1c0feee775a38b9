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
    asking = state.running or Step.WIRING
    if shown is not asking:
        return f"You are asked to do something: press {tuple(Step).index(asking) + 1}."
    if state.prompt is not None and state.prompt.answerable:
        return "Press h and simulated hands do it; or do it yourself and press y."
    return "Do it, then press y. If you cannot, press n."


def _running(state: JobState, shown: Step) -> str:
    # Listening is shown where the line is.
    running = Step.LINE if state.running is Step.LINK else state.running or Step.FIND
    if running is shown:
        if state.change is not None:
            return "Read what would be written: y writes it, n leaves it."
        if state.hands_help and shown is not Step.ADDRESSES:
            return "Simulated hands do it: watch the trend. x stops."
        if shown in (Step.LINE, Step.ENERGY, Step.BENCH):
            return "Wait, or press x to stop at once. v changes the picture."
        return "Wait, or press x to stop at once."
    number = tuple(Step).index(running) + 1
    return f"Another step runs: press {number} to see it, x to stop it."


def _idle(state: JobState, shown: Step) -> str:
    view = state.steps[shown]
    match shown:
        case Step.LINK:
            return "The link is open. Press 2 to find who answers."
        case Step.FIND:
            if state.watched:
                return "Live values are read again and again: w stops. Left/right selects."
            if _others_talk(state) and view.state is not StepState.DONE:
                return "Another master talks: pause it and press s, or i to ask anyway."
            if view.state is not StepState.DONE:
                return "Press s to ask every address who is there, o for a quick search."
            if not state.devices:
                return "Nobody answered: check power, A/B and settings, then press s."
            if state.steps[Step.ADDRESSES].state is StepState.TO_DO:
                return "Press w for live values, left/right for a device. Then press 3."
            return "Press w for live values, left/right for another device."
        case Step.ADDRESSES:
            if not state.devices:
                return "Press 2 and find the devices first."
            if any(d.duplicate == "duplicate" for d in state.devices.values()):
                return "Press g to tell them apart, d explains; 5 goes on to the wiring."
            if view.state is not StepState.DONE:
                return "Press s to find out whether two devices share an address."
            return "Press 4 to check the line, 5 to prove the wiring of each meter."
        case Step.LINE:
            return _line(state)
        case Step.WIRING:
            return _wiring(state)
        case Step.ENERGY:
            return _energy(state)
        case Step.HANDOVER:
            return _handover(state)
        case Step.BENCH:
            return _bench(state)


def _bench(state: JobState) -> str:
    sheet = state.bench
    if sheet is None:
        return "Type the meter's address, press s. u tests each line setting as well."
    if sheet.passed:
        return "v: settings, map, label. p writes the report. Next meter: address, s."
    return "Mark what failed and read why; d explains. v: settings, map, label."


def _others_talk(state: JobState) -> bool:
    return any(code == "foreign-master" for code, _ in state.findings)


def _line(state: JobState) -> str:
    if _others_talk(state) and state.steps[Step.LINE].state is StepState.FAILED:
        return "Another master talks: pause it and press s, or i to ask anyway."
    if not state.devices:
        return "Press l to hear who talks here, without sending. 2 finds the devices."
    if state.steps[Step.LINE].state is StepState.TO_DO:
        return "Press s to check the line, or l to listen only. Nothing is written."
    if state.weighed is not None and state.weighed.bad:
        return "Read what it rests on. v: health of each address; d: the finding."
    return "Press v for health and history, 5 to prove the wiring of each meter."


def _energy(state: JobState) -> str:
    if not state.devices:
        return "Press 2 and find the meters first."
    if state.balance is None:
        return "Left/right selects a meter, m changes its role. Then press s."
    if state.balance.next_experiment:
        return "Do the experiment named below (v shows it), then press s again."
    return "Press v for flow, meters and roles; 7 goes on to the handover."


def _handover(state: JobState) -> str:
    if state.checks:
        return "Mark a check, read what it rests on. D: customer, photos; p: report."
    if state.plan_file:
        return "Fill in roles and ratings in the plan, then press s to verify it."
    if state.devices:
        return "Tab: type the plan's file, Enter. P writes a first plan, p the report."
    return "Tab to the field, type the plan's file, Enter. p writes the report."


def _wiring(state: JobState) -> str:
    if state.selected is None:
        return "Press 2 and find the meters first."
    diagnosis = state.wiring.get(state.selected)
    if diagnosis is None:
        return "Select the meter with left/right, set the load, then press s."
    if diagnosis.next_experiment:
        if diagnosis.verdict == "inconsistent":
            return "The meter did not see the load: do what is named below, then press s."
        return "More than one wiring fits: do the experiment named below."
    if diagnosis.verdict == "correct":
        return "This meter is right. Left/right: next meter; 6: does the site add up?"
    return "Read the remedy, mend, press s again. Left/right: next meter."
