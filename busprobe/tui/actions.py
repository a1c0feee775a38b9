"""The one table of actions: keys, key line, command palette and help are all made from it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from textual.binding import Binding, BindingType

from busprobe.session.events import Step


class Scope(StrEnum):
    """Where an action works."""

    APP = "app"
    WORK = "work"
    FRAMES = "frames"
    FINDING = "finding"
    CHANGE = "change"
    TRAINING = "training"
    EXERCISE = "exercise"
    CAUSES = "causes"
    MARKS = "marks"
    EVIDENCE = "evidence"
    RESULTS = "results"
    SEPARATE = "separate"
    LEAVING = "leaving"
    TOUR = "tour"
    COMPUTER = "computer"
    BYTES = "bytes"
    PAPER = "paper"
    OPTIONS = "options"
    FILES = "files"
    HELP = "help"


@dataclass(frozen=True, slots=True)
class Action:
    """Something the technician can do.

    Attributes:
        scope: The screen it belongs to; APP works everywhere.
        call: The action as Textual runs it.
        keys: Keys that run it, the first is the one that is shown.
        label: Two words at most, for the key line.
        help: One sentence, for palette and help.
        shown: Whether the key line shows it.
    """

    scope: Scope
    call: str
    keys: tuple[str, ...]
    label: str
    help: str
    shown: bool = True

    @property
    def key_name(self) -> str:
        """The first key as it is written on a keyboard."""
        return _KEY_NAMES.get(self.keys[0], self.keys[0])

    @property
    def name(self) -> str:
        """The bare name of the action, without arguments."""
        return self.call.partition("(")[0]


_KEY_NAMES = {
    "f1": "F1",
    "ctrl+p": "^p",
    "ctrl+r": "^r",
    "left": "←",
    "right": "→",
    "escape": "Esc",
    "question_mark": "?",
    "enter": "Enter",
}

_STEP_HELP = {
    Step.LINK: "Choose and open the port, host or simulated bus.",
    Step.FIND: "See who answers on this bus, and the live values of each.",
    Step.ADDRESSES: "See whether two devices answer at one address.",
    Step.LINE: "See who talks on the line, what is wrong with it, and how often.",
    Step.WIRING: "Prove that every CT is on its own phase, the right way round.",
    Step.ENERGY: "See whether the meters of the site add up.",
    Step.HANDOVER: "Hold the site against its plan, and write the report.",
    Step.BENCH: "Test one meter on the table, before the visit.",
}


def _steps() -> tuple[Action, ...]:
    return tuple(
        Action(
            Scope.WORK, f"show_step('{step}')", (str(number),), step.capitalize(),
            _STEP_HELP[step], shown=False,
        )
        for number, step in enumerate(Step, start=1)
    )  # fmt: skip


TRAINING_ACTIONS: tuple[Action, ...] = (
    Action(Scope.TRAINING, "begin", ("s",), "Begin", "Begin what stands in the field."),
    Action(Scope.TRAINING, "results", ("r",), "Results", "See all answers, and write them out."),
    Action(Scope.TRAINING, "back", ("b", "escape"), "Back", "Go back to the job."),
    Action(Scope.EXERCISE, "back", ("b", "e", "escape"), "To work", "Close, and work on the bus."),
    Action(Scope.EXERCISE, "hint", ("h",), "Hint", "See what the next hint costs."),
    Action(Scope.EXERCISE, "take", ("y",), "Take it", "Take the hint at its price."),
    Action(
        Scope.EXERCISE, "unplug", ("u",), "Unplug",
        "Have the energy manager unplugged, or plugged in again.",
    ),
    Action(
        Scope.EXERCISE, "carry", ("g",), "Heater", "Have the test heater plugged elsewhere.",
    ),
    Action(Scope.EXERCISE, "causes", ("c",), "Causes", "State the causes, and be marked."),
    Action(
        Scope.EXERCISE, "time_lapse", ("z",), "Time lapse",
        "Let the time of the exercise run faster; it counts all the same.",
    ),
    Action(Scope.EXERCISE, "leave", ("l",), "Others", "Leave this exercise and choose another."),
    Action(Scope.CAUSES, "add", ("a",), "Add", "Add the marked cause at the marked place."),
    *(
        Action(
            Scope.CAUSES, f"tick('L{number}')", (str(number),), f"L{number}",
            f"Say that the cause concerns input L{number}, or not.", shown=False,
        )
        for number in (1, 2, 3)
    ),
    Action(
        Scope.CAUSES, "either", ("o",), "Either-or",
        "Join the marked statement with the one above: either of them fits what was seen.",
    ),
    Action(
        Scope.CAUSES, "remove", ("r", "delete", "backspace"), "Remove", "Take a statement back.",
    ),
    Action(Scope.CAUSES, "nothing", ("n",), "Nothing wrong", "State that nothing is wrong."),
    Action(Scope.CAUSES, "hand_in", ("h",), "Hand in", "Hand the answer in, and be marked."),
    Action(Scope.CAUSES, "back", ("b", "escape"), "Back", "Close; what was stated is kept."),
    Action(Scope.MARKS, "evidence", ("e",), "Evidence", "Show what the marked line rests on."),
    Action(Scope.MARKS, "next", ("n",), "Next exercise", "Choose the next exercise."),
    Action(Scope.MARKS, "results", ("r",), "Results", "See all answers, and write them out."),
    Action(Scope.MARKS, "back", ("b", "escape"), "Back", "Look at the bus again."),
    Action(Scope.EVIDENCE, "own", ("o",), "On my screen", "Show the same finding of your own job."),
    Action(Scope.EVIDENCE, "back", ("b", "e", "escape"), "Back", "Go back to the marks."),
    Action(Scope.RESULTS, "write", ("w",), "Write file", "Write all answers to the file named."),
    Action(Scope.RESULTS, "back", ("b", "escape"), "Back", "Close the results."),
)  # fmt: skip

ACTIONS: tuple[Action, ...] = (
    Action(Scope.WORK, "answer(True)", ("y",), "Done", "Say that you did what was asked."),
    Action(Scope.WORK, "answer(False)", ("n",), "Cannot", "Say that you cannot do it."),
    Action(
        Scope.WORK, "let_hands", ("h",), "Simulated hands",
        "Let simulated hands do it (training and demonstration only).",
    ),
    Action(Scope.WORK, "start", ("s",), "Start", "Start the step that is shown."),
    Action(Scope.WORK, "stop", ("x",), "Stop", "Stop the running step at once."),
    *_steps(),
    Action(
        Scope.WORK, "find_fast", ("o",), "Quick",
        "Ask every address once, briefly: very slow devices may be missed.",
    ),
    Action(Scope.WORK, "listen", ("l",), "Listen", "Hear what others say; nothing is sent."),
    Action(
        Scope.WORK, "paper", ("b",), "On paper",
        "Reckon a line from its parts: idle level, lengths, poll interval; nothing is sent.",
    ),
    Action(
        Scope.WORK, "readdress", ("a",), "New address",
        "Give the selected device another address or other line settings.",
    ),
    Action(
        Scope.WORK, "separate", ("g",), "Separate",
        "Tell two meters at the selected address apart, guided step by step.",
    ),
    Action(
        Scope.WORK, "every_setting", ("u",), "Each setting",
        "Test the meter at every line setting it offers; shows first what that writes.",
    ),
    Action(Scope.WORK, "role", ("m",), "Role", "Change what a meter is said to measure."),
    Action(Scope.WORK, "report", ("p",), "Report", "Write the report of this visit to a file."),
    Action(
        Scope.WORK, "insist", ("i",), "Ask anyway",
        "Ask although another master talks: both may disturb each other.",
    ),
    Action(
        Scope.WORK, "first_plan", ("P",), "First plan", "Write a first plan from what was found.",
    ),
    Action(
        Scope.WORK, "report_data", ("D",), "Details",
        "Name customer, people, photos, further recordings; ask for a PDF.",
    ),
    Action(
        Scope.WORK, "options", ("O",), "Options",
        "Change how this step works: addresses, times, files and more.",
    ),
    Action(
        Scope.WORK, "series", ("S",), "Series",
        "Judge a recorded series from a file; no link is needed.",
    ),
    Action(
        Scope.WORK, "export", ("E",), "Export",
        "Write a recording as pcapng, CSV or JSON for other programs.",
    ),
    Action(Scope.WORK, "view", ("v",), "View", "Change between the pictures of this step."),
    Action(Scope.WORK, "details", ("d",), "Explain", "Explain the marked finding."),
    Action(Scope.WORK, "frames", ("f",), "Frames", "List every exchange on the bus."),
    Action(Scope.WORK, "device(-1)", ("left",), "Device", "Select the device before.", shown=False),
    Action(Scope.WORK, "device(1)", ("right",), "Device", "Select the next device."),
    Action(Scope.WORK, "watch", ("w",), "Watch", "Read live values again and again, or stop that."),
    Action(
        Scope.WORK, "decode", ("j",), "Explain bytes", "Explain pasted bytes; nothing is sent.",
        shown=False,
    ),
    Action(
        Scope.WORK, "computer", ("U",), "Computer",
        "See whether this computer is ready: terminal, ports, clock, disk.", shown=False,
    ),
    Action(Scope.WORK, "ports", ("r",), "Rescan ports", "Look again for ports.", shown=False),
    Action(Scope.WORK, "skip_tour", ("k",), "End tour", "End the guided tour."),
    Action(
        Scope.WORK, "training", ("e",), "Exercise",
        "Choose an exercise, or read the one you work on: papers, hints, hands.",
    ),
    Action(Scope.WORK, "causes", ("c",), "State causes", "State the causes, and be marked."),
    Action(
        Scope.WORK, "time_lapse", ("z",), "Time lapse",
        "Let the time of the exercise run faster; it counts all the same.", shown=False,
    ),
    Action(
        Scope.FRAMES, "back", ("f", "b", "escape"), "Back", "Go back to the job.",
    ),
    Action(Scope.FRAMES, "only_address", ("a",), "This address", "Only the selected address."),
    Action(Scope.FRAMES, "only_trouble", ("e",), "Only trouble", "Only exchanges that went wrong."),
    Action(Scope.FRAMES, "decode", ("c",), "Explain", "Explain the bytes of the marked exchange."),
    Action(Scope.FRAMES, "follow", ("l",), "Follow live", "Stay at the newest exchange."),
    Action(Scope.FINDING, "back", ("b", "d", "escape"), "Back", "Go back to the job."),
    Action(
        Scope.FINDING, "piece(-1)", ("left",), "Evidence", "Draw the exchange before.", shown=False,
    ),
    Action(Scope.FINDING, "piece(1)", ("right",), "Evidence", "Draw the next exchange."),
    Action(Scope.FINDING, "evidence", ("e",), "Frames", "Show that exchange among all frames."),
    Action(
        Scope.FINDING, "separate", ("g",), "Separate",
        "Tell two meters at this address apart, guided step by step.",
    ),
    Action(Scope.SEPARATE, "begin", ("enter",), "Begin", "Look who shares the address."),
    Action(Scope.SEPARATE, "yes", ("y",), "Yes, done", "Say that it is done, or write this."),
    Action(Scope.SEPARATE, "no", ("n",), "No", "Say that you cannot, or leave it unwritten."),
    Action(
        Scope.SEPARATE, "let_hands", ("h",), "Simulated hands",
        "Let simulated hands do it (training and demonstration only).",
    ),
    Action(Scope.SEPARATE, "stop", ("x",), "Stop", "Stop, and say in what state things are."),
    Action(Scope.SEPARATE, "back", ("escape",), "Leave", "Stop, or close when it has ended."),
    Action(
        Scope.LEAVING, "leave", ("enter",), "Leave", "Leave, once it is shown how things stand.",
    ),
    Action(Scope.CHANGE, "plan", ("enter",), "Check", "See what the change would write."),
    Action(
        Scope.CHANGE, "write", ("y",), "Yes",
        "Write exactly the registers shown, or say that it is done.",
    ),
    Action(Scope.CHANGE, "refuse", ("n",), "No", "Say that you cannot do what is asked."),
    Action(
        Scope.CHANGE, "let_hands", ("h",), "Simulated hands",
        "Let simulated hands do it (training and demonstration only).",
    ),
    Action(Scope.COMPUTER, "back", ("b", "escape"), "Back", "Go back to the job."),
    Action(Scope.COMPUTER, "again", ("r",), "Look again", "Look at this computer again."),
    Action(Scope.BYTES, "back", ("escape",), "Back", "Go back."),
    Action(
        Scope.OPTIONS, "take", ("enter",), "Take over", "Take over what stands in the fields.",
    ),
    Action(
        Scope.OPTIONS, "usual", ("ctrl+r",), "As usual", "Put every option back as it usually is.",
    ),
    Action(Scope.OPTIONS, "back", ("escape",), "Leave it", "Close; options stay as they were."),
    Action(Scope.FILES, "go", ("enter",), "Begin", "Do it with what stands in the fields."),
    Action(Scope.FILES, "back", ("escape",), "Back", "Go back; what was typed stays."),
    Action(Scope.PAPER, "back", ("escape",), "Back", "Go back; what was written stays."),
    Action(Scope.CHANGE, "back", ("escape",), "Leave it", "Close; what was not written stays so."),
    *TRAINING_ACTIONS,
    Action(
        Scope.TOUR, "confirm", ("y",), "Write these", "Write what is shown, and begin the test.",
    ),
    Action(Scope.TOUR, "back", ("escape",), "Leave it", "Close; nothing is written."),
    Action(Scope.HELP, "back", ("b", "f1", "escape"), "Back", "Close the help."),
    Action(Scope.APP, "help", ("f1", "question_mark"), "Help", "Explain this screen."),
    Action(Scope.APP, "next_theme", ("t",), "Theme", "Dark, light, or high contrast.", shown=False),
    Action(Scope.APP, "command_palette", ("ctrl+p",), "Commands", "Search all commands."),
    Action(Scope.APP, "quit", ("q",), "Quit", "Leave; a change is ended first.", shown=False),
)  # fmt: skip


def actions_in(*scopes: Scope) -> list[Action]:
    """The actions of these scopes, in the order of the table."""
    return [action for action in ACTIONS if action.scope in scopes]


def bindings_for(scope: Scope, *, modal: bool = False) -> list[BindingType]:
    """Key bindings of a scope.

    Args:
        scope: The scope.
        modal: Whether it is a screen that keys do not pass through to the app: then the app's own
            keys are bound again, but for those that mean something else there.
    """
    own = actions_in(scope)
    bindings: list[BindingType] = [_binding(action, action.keys, action.call) for action in own]
    if modal:
        taken = {key for action in own for key in action.keys}
        for action in actions_in(Scope.APP):
            free = tuple(key for key in action.keys if key not in taken)
            bindings.append(_binding(action, free, f"app.{action.call}"))
    return bindings


def _binding(action: Action, keys: tuple[str, ...], call: str) -> Binding:
    return Binding(
        ",".join(keys),
        call,
        action.label,
        show=action.shown,
        tooltip=action.help,
        key_display=action.key_name,
    )
