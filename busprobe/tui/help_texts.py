"""Help in a technician's words, a text for each screen."""

from __future__ import annotations

from busprobe.session.events import Step
from busprobe.tui.help_text import HelpText
from busprobe.tui.training_help import TRAINING_HELP

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
            "an error, is there. Then each is asked who it is. Nothing is written; w reads values. "
            "A second, slower round catches devices that take their time; x may stop it. o "
            "searches in a quarter of the time, but may miss very slow devices. O names the "
            "addresses to search, such as 1-32.",
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
            "Two of one model that answer in step can hide behind each other: the nearer one is "
            "heard, and no piece of the other. If a meter is missing, plug the adapter in at the "
            "other end of the cable and press s again.",
            "To mend it: switch off or unplug one of the two, select the address, press a and give "
            "the other a free one; connect both again and press s.",
        ),
    ),
    Step.LINE: HelpText(
        "Line: who talks here, and how healthy is it?",
        (
            "l only listens: it finds the baud rate of others by itself and shows who is polled, "
            "how often, and who does not answer. Use it before anything else where an energy "
            "manager may be running.",
            "s checks the line: it listens first, then asks every known address with short and "
            "long questions after short and long pauses. From what fails, and when, follows the "
            "cause: missing bias, too many terminators, noise, an echo, a driver that lets go too "
            "late, a device that needs a longer pause. Each cause has a probability and what it "
            "rests on. Several can be true at once.",
            "A soak goes on asking for minutes or days and counts. The interval says how well "
            "the error rate is known: 0 of 100 can still be 3 %. v changes between causes, health "
            "of each address, history of the soak, and what others say.",
            "b reckons the line on paper: idle level, terminators, bias, lengths, poll interval.",
            "Bus terminals often sit beside mains terminals: isolate before you touch them.",
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
            "v changes between the verdict, the phasors (as wired, and as they should be) and the "
            "trend. O says how well the load is known, and how the meter is connected (three "
            "wires, say). S judges a series that somebody recorded.",
            "If several wirings explain the same readings, all are listed with their probability, "
            "and the experiment that tells them apart is named.",
            "Plug loads into sockets. Never open the secondary of a CT under load: isolate first. "
            "Work inside the cabinet is for licensed electricians, by the local code.",
        ),
    ),
    Step.ENERGY: HelpText(
        "Energy: do the meters add up?",
        (
            "First say what each meter measures: left and right select one, m changes its role. "
            "'Proposed' is only a guess. Two devices at one address cannot take part.",
            "s reads all meters in turn. When a generator changes, the feed-in meter must change "
            "by the same amount the other way. From that follows which meter counts the wrong way "
            "round, shows the wrong size (ratio of its CTs), or sits in the wrong place.",
            "Under a steady sun nothing changes and nothing can be told. Then choose 'have each "
            "source held back': you are asked to throttle it for a while and to set it free again.",
            "v shows the flow of power: arrows point the way it goes, a question mark stands where "
            "that is not proven. The rest of the house is what it uses without a meter of its "
            "own; below zero something is wrong.",
        ),
    ),
    Step.HANDOVER: HelpText(
        "Handover: plan against found, and the report",
        (
            "Type the file of the plan (P writes a first one from what was found) and "
            "press Enter or s. Every check that the plan implies is made on this line: PASS, FAIL, "
            "NOT TESTED with the reason, or NOT APPLICABLE. With a load in watts the wiring of "
            "each meter is tested too, and you are asked to switch it.",
            "Every check is kept at once in a file beside the plan: a verification that was "
            "stopped goes on where it was. 'As left' keeps the site as you leave it beside the "
            "site as you found it.",
            "p writes the report from the recording of this visit: one page for the customer and "
            "the same as data. D takes customer, people, photos, further recordings and the wish "
            "for a PDF. E writes the recording as files for other programs; its name stands below.",
        ),
    ),
    Step.BENCH: HelpText(
        "Bench: one meter on the table, before the visit",
        (
            "Connect the new meter alone, with mains on its voltage terminals and, if you can, a "
            "load through it. Type its address (a new one has 1 as a rule) and press s. It is "
            "asked who it is, and its register map is held against the published models: lengths, "
            "mandatory points, scale factors, marks for what it does not implement.",
            "Then come many requests for the statistics, the rest it needs between them, requests "
            "that it must refuse, long reads, and its counter against its own power. What could "
            "not be tested (no current, say) is told as NOT TESTED.",
            "Reference takes what another instrument shows, as V_L1=230.4 P=1020. Class and rated "
            "current (Ib, or In of its CTs) stand on the meter; the limits follow from them "
            "(IEC 62053-21 and -22, EN 50470-3). Voltage and current have no class there.",
            "u tests it at every line setting its profile offers. That writes: every register is "
            "shown first, y confirms. It is brought back to its own setting whatever happens, and "
            "if that fails you are told where it is. v changes between checks, settings, register "
            "map and label; p writes the report.",
        ),
    ),
    "settings-tour": HelpText(
        "Every line setting",
        (
            "To be measured at another line setting the meter has to be written to. Here stands "
            "every register that would be written, in order, the way back included.",
            "y writes exactly these and begins the test; Esc leaves everything as it is. The test "
            "without it measures at the setting the meter has, and says which were left out.",
        ),
    ),
    "change": HelpText(
        "Another address, or other line settings",
        (
            "One of the two places where busprobe writes to a device. Give the new address, other "
            "line settings, or both, and press Enter: it looks first, and refuses with the reason "
            "where a change is not safe.",
            "Then every register that would be written stands on the screen. y writes exactly "
            "these; Esc leaves everything as it is. Afterwards the device is looked for at the old "
            "and the new place, and the state that was found is told: changed, waits for power, "
            "unchanged, rolled back, not saved, partly, or uncertain.",
            "A change once begun is not stopped half-way; a device that restarts is waited for.",
        ),
    ),
    "separate": HelpText(
        "Two meters at one address",
        (
            "Meters that left the factory with the same address answer at once, and a change of "
            "address would reach all of them. So all but one are disconnected first.",
            "Give the new address, or leave it empty: then the plan that is open says it, or it "
            "is the lowest free one. Enter looks who they are. Then do what is asked: take the "
            "bus wires off one meter, y when it is done. The bus must show that exactly one is "
            "left; then you see every register that would be written, and y writes it. Connect "
            "the other meter again: both are asked, and what to write on their labels is shown.",
            "x stops at any point and says in what state things are; begun again while one is off "
            "it goes on from there.",
            "Bus terminals often sit beside mains terminals: isolate first. Work in the cabinet is "
            "for licensed electricians, by the local code.",
        ),
    ),
    **TRAINING_HELP,
    "computer": HelpText(
        "This computer: is it ready for the plant room?",
        (
            "What stands in the way is named first, with what to do about it: permissions of the "
            "ports, programs that grab adapters, a wrong clock (the report carries its time), a "
            "full disk (every visit is recorded).",
            "No port is opened by looking: opening one can disturb the bus behind it.",
        ),
    ),
    "paper": HelpText(
        "The line on paper",
        (
            "Reckons a line from its parts, before you buy resistors or cable: the voltage of the "
            "idle line (200 mV are needed), the same with one more terminator and with one more "
            "bias network, what a driver sees, unit loads, length against rate, stubs, and how "
            "fast it may be polled. Nothing is sent, and no link is needed.",
            "What is known of the open line stands in the fields already. Up and down or Tab go "
            "from field to field, Page down reads on. Rules that are broken come first, each with "
            "its number and its source.",
            "Then measure: with everything switched off, about 60 Ohm between A and B is right "
            "for two terminators of 120 Ohm.",
        ),
    ),
    "options": HelpText(
        "Options of a step",
        (
            "Most jobs need none of these: what stands in the fields is the usual. What each is "
            "for is told below the fields as you come to it. Up and down or Tab go from field to "
            "field.",
            "Enter takes over; a mistake is told with what to write instead. Esc leaves everything "
            "as it was. What differs from the usual stands above the step, so that it is not "
            "forgotten, and holds until you change it.",
        ),
    ),
    "report-data": HelpText(
        "For the report: what only people know",
        (
            "Customer, site, people and photos cannot be measured. Type what you know; what you "
            "leave empty is left out. It is kept in a file beside the recording.",
            "Photos are named with a caption, as board.jpg=Meter 2 with its CTs. Instruments, "
            "names of meters and readings of a reference stand in a details file, if you have one.",
            "Enter takes over, then p writes the report: one page, the same as data, and a PDF if "
            "you ask for it. More recordings of this visit, and those of the site as left, go into "
            "the same report.",
        ),
    ),
    "series": HelpText(
        "A recorded series",
        (
            "Somebody logged a meter, or a whole site, and you were not there: the same verdicts "
            "come from the file. CSV or JSON Lines, a row per reading, with t in seconds and the "
            "values as the meter reports them; columns may be missing. For a site the name of the "
            "meter stands before each column, as grid.P_L1.",
            "In the step Wiring one meter is judged by a load that was switched; in the step "
            "Energy a site. Enter begins; nothing is sent, and no link is needed.",
            "Before hands go into a cabinet: a CT secondary must never be opened under load. Work "
            "there is for licensed electricians, by the local code.",
        ),
    ),
    "export": HelpText(
        "Export a recording",
        (
            "A recording holds every byte with its time. Here it is written for other programs: "
            "frames for a packet analyser (pcapng), values or frames for a spreadsheet (CSV), or "
            "everything as one document (JSON). Empty a field to leave that file out.",
            "Enter writes; files that exist are replaced, the recording itself never.",
        ),
    ),
    "bytes": HelpText(
        "Explain bytes",
        (
            "Paste bytes in hexadecimal, from a log or another program, or name a file that holds "
            "them. Every frame is told with its meaning; bytes that form no frame are told with "
            "what they may be. Nothing is sent.",
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
            "Each speaker has a lane. Where two devices share an address, an answer goes to the "
            "device whose serial number stands in it; what either could have said, and bytes that "
            "form no frame, stand in the lane 'both / unknown'.",
            "Bytes that form no frame are kept and shown too: they are evidence. c explains the "
            "bytes one by one.",
        ),
    ),
    "finding": HelpText(
        "A finding",
        (
            "What was found, what it means, how sure it is, what it rests on, and what to do. A "
            "caution stands where the remedy could hurt somebody.",
            "The marked exchange is drawn below: who spoke when. Left and right draw another one; "
            "e shows it among all frames.",
        ),
    ),
}
