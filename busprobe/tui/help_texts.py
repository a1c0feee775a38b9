"""Help in a technician's words, a text for each screen."""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.session.events import Step


@dataclass(frozen=True, slots=True)
class HelpText:
    """A title and a few paragraphs."""

    title: str
    paragraphs: tuple[str, ...]


HELP: dict[str, HelpText] = {
    Step.LINK: HelpText(
        "Link: how the laptop reaches the bus",
        (
            "Choose the USB adapter, a gateway, or a simulated bus to practise on, then press s. A "
            "gateway is typed as tcp://192.168.1.20 (Modbus TCP) or rtu+tcp://192.168.1.20:4001 "
            "(serial frames through a socket).",
            "If you do not know baud rate and parity, leave 'find them': they are searched for.",
            "A port with a remark beside it is in the way of something: read the remark first. Two "
            "masters on one line disturb each other: disconnect or pause the controller that "
            "usually polls this bus, if you may.",
        ),
    ),
    Step.FIND: HelpText(
        "Find: who is on this bus",
        (
            "s asks each address from 1 to 247 one short question. Whoever answers, even with "
            "an error, is there. Then each is asked who it is. Nothing is written; w reads values.",
            "The line on top is the bus: the laptop at the left, a box for each address that "
            "answers. Two boxes on one drop are two devices at the same address. Left and right "
            "select a device; below are its values.",
            "In the phasor picture voltages are solid, currents dashed. The angles between the "
            "voltages are not measured by the meter and are drawn 120° apart. With plain import a "
            "current points roughly the way of its voltage; against it means export, or a CT the "
            "wrong way round. Only the wiring step tells which.",
            "Nobody answers? Check: power of the meters, A and B swapped, baud rate and parity, "
            "termination, and whether another master holds the line.",
        ),
    ),
    Step.ADDRESSES: HelpText(
        "Addresses: do two devices share one?",
        (
            "Two meters fresh from the box often have the same address. Then both answer at once "
            "and the answers damage each other, or, worse, look fine most of the time.",
            "s reads each address several times and compares everything that comes back. "
            "'One device' and 'two devices' are said only when that is sure; else it says "
            "'undecided'.",
            "To mend it: switch off or unplug one of the two, give the other a free address, then "
            "press s again.",
        ),
    ),
    Step.LINE: HelpText(
        "Line: how healthy is the bus?",
        (
            "This step is not in this version. Errors that are met in other steps still appear "
            "among the findings, and every byte is in the frames (f).",
        ),
    ),
    Step.WIRING: HelpText(
        "Wiring: is every CT right?",
        (
            "Select the meter, say how much power your test load draws (a 2 kW heater is ideal) "
            "and where you can plug it in. Press s and do what is asked: switch on, switch off, "
            "one phase after the other. Say y when it is done.",
            "The meter must show the step on the phase of the load, with the right sign and the "
            "right size. From what it shows instead follows which CT sits on which phase, which "
            "one is the wrong way round, and whether the ratio is set right.",
            "If several wirings explain the same readings, all are listed with their probability, "
            "and the experiment that tells them apart is named.",
            "Plug loads into sockets. Never open the secondary of a CT under load: isolate first. "
            "Work inside the cabinet is for licensed electricians, by the local code.",
        ),
    ),
    Step.ENERGY: HelpText(
        "Energy: do the meters add up?",
        (
            "This step is not in this version. Until then compare the powers of the meters on the "
            "Find screen at one moment: feed-in plus generation must equal the loads.",
        ),
    ),
    Step.HANDOVER: HelpText(
        "Handover: the report",
        (
            "This step is not in this version. The findings on this screen and the recording hold "
            "everything that such a report needs.",
        ),
    ),
    "frames": HelpText(
        "Frames: who spoke when",
        (
            "Each entry is a question of the laptop and what came back: number, time, who to whom, "
            "the meaning, and (in a wide window) the bytes. Below is the marked exchange in full, "
            "with a picture of when each side spoke.",
            "'crowded' means more than one answer; 'damaged' means bytes without a valid answer; "
            "'misaddressed' means that somebody else answered.",
            "Bytes that form no frame are kept and shown too: they are evidence.",
        ),
    ),
    "finding": HelpText(
        "A finding",
        (
            "What was found, what it means, how sure it is, what it rests on, and what to do. A "
            "caution stands where the remedy could hurt somebody.",
            "e shows the first exchange it rests on.",
        ),
    ),
}
