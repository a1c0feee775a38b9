"""Findings about the line: what was overheard, and what an experiment on it showed.

Sources of the figures: MODBUS over Serial Line V1.02, sections 2.5.1.1 and 3.4; TIA/EIA-485-A as
tabulated in AN-1057. Where a remedy names a usual value without a section, it is common practice.
"""

from __future__ import annotations

from busprobe.diagnosis.catalogue.base import CAUTION_BUS, Entry
from busprobe.model.finding import Severity

_MEASURE = (
    "With everything switched off, measure the resistance between A and B: 60 Ohm is right (two "
    "terminators of 120 Ohm), 120 Ohm means one is missing, 40 Ohm or less that there are too many."
)

_HEARD: dict[str, Entry] = {
    "foreign-master": Entry(
        Severity.WARNING,
        "Another master is talking on this line.",
        "Whole frames about address {addresses} were heard that belong to no request of ours. An "
        "energy manager or an inverter polls its meters here. Talking into its conversation can "
        "give it wrong values, and with storage that moves power.",
        "Unplug the other master from the line, or switch it off, and search again.",
    ),
    "polled-absent": Entry(
        Severity.FAULT,
        "The master polls address {address}, and nobody answers.",
        "{count} requests were heard, and after none of them anything that could be an answer. The "
        "device is missing, has "
        "another address or other settings, has no power, or its answers do not reach this point.",
        "Compare the address in the master's settings with the one on the device; then check its "
        "power and its bus wires.",
        CAUTION_BUS,
    ),
    "polled-refused": Entry(
        Severity.WARNING,
        "The device at address {address} refuses everything the master asks.",
        "Every answer was an exception: the master asks for registers or a function that this "
        "device does not have. It is set up for another type of meter as a rule.",
        "Choose the right meter type in the master, or the right register map.",
    ),
    "overheard-damage": Entry(
        Severity.WARNING,
        "Answers from address {address} to the master are damaged.",
        "After {damaged} of {count} requests only bytes of no frame were heard, or an answer that "
        "does not fit: noise, two devices on one address, or a second master.",
        "With the master unplugged run 'busprobe line' and 'busprobe duplicates' on this address.",
    ),
    "other-settings": Entry(
        Severity.WARNING,
        "Somebody talks at about {settings}, not at {given}.",
        "The bytes are those that a receiver at other settings hears: few values, many broken "
        "characters, no whole frame.",
        "Listen again with --baud and --parity as found; set all devices of the line alike.",
    ),
    "format-undecided": Entry(
        Severity.NOTE,
        "Rate found, but not which of {listed} the others use.",
        "Whole frames arrive at {settings}. This adapter reports no framing or parity errors, so "
        "that formats of equal length sound alike.",
        "Try them in the order given when you search; or use an adapter that counts line errors.",
    ),
    "listening-undecided": Entry(
        Severity.NOTE,
        "Something is on the line, but what it is remains undecided.",
        "Too few bytes were heard, or they fit several explanations.",
        "Listen longer (--seconds 60), at another point of the line, or with known settings.",
    ),
    "noise-heard": Entry(
        Severity.WARNING,
        "Noise is heard on the idle line.",
        "Short runs of bytes of any value, at irregular times, and no frame: bursts from outside "
        "(motors, contactors, inverters) get onto the pair. Whether they damage frames shows only "
        "while somebody talks.",
        "Lay the data cable apart from mains and motor feeds, connect the common wire (and the "
        "screen at one end); then let 'busprobe line' count how many frames are damaged.",
        CAUTION_BUS,
    ),
    "jabber": Entry(
        Severity.FAULT,
        "Somebody sends without a pause.",
        "Bytes come nearly all the time and never make a frame. A device has locked up, a driver "
        "is stuck, or something that is no Modbus shares the pair.",
        "Unplug one device after the other from the bus until it becomes quiet.",
        CAUTION_BUS,
    ),
}

_SEARCH: dict[str, Entry] = {
    "fast-sweep-limits": Entry(
        Severity.NOTE,
        "{count} addresses were listened to for {listen_ms} ms only.",
        "Late answers up to {patience_ms} ms were salvaged by the address inside. Missed would be: "
        "a device slower than {listen_ms} ms that drops its answer when it hears another request; "
        "and {percent} of the devices slower than that which refuse the read, because so short an "
        "answer can hide inside the next request.",
        "If a device is missing, search again without --fast.",
    ),
}

_LEVELS: dict[str, Entry] = {
    "swapped-pair": Entry(
        Severity.FAULT,
        "A and B look exchanged {where}.",
        "The bytes are those of an inverted line ({settings}): the driven level reads as idle and "
        "the idle level as a start bit.",
        "Exchange the two bus wires there (nothing is damaged by it) and try again. Makers name A "
        "and B differently: go by what works, not by the letters.",
        CAUTION_BUS,
    ),
    "no-bias": Entry(
        Severity.FAULT,
        "The idle line is not held: no bias, or it is too weak.",
        "Stray characters appear while nobody sends, {seen}beside whole answers or alone. Between "
        "two terminators an undriven pair sits near 0 V, where a receiver may read 0; at least "
        "200 mV are needed (MODBUS over Serial Line V1.02, section 3.4.3).",
        "Switch on the bias of exactly one device, or fit 560 Ohm from A to 5 V and from B to "
        "ground at one place. " + _MEASURE,
        CAUTION_BUS,
    ),
    "surplus-termination": Entry(
        Severity.NOTE,
        "The line may have too many terminators.",
        "The idle line is not held although it may well be biased: a third terminator takes a "
        "usual bias of 0.26 V down to 0.17 V (nodal analysis). The bytes cannot tell this from "
        "missing bias.",
        _MEASURE + " Take out all but the two at the ends.",
        CAUTION_BUS,
    ),
    "noisy-line": Entry(
        Severity.FAULT,
        "Frames are damaged on their way: {share}.",
        "Damage falls anywhere in a frame and grows with its length{where}. That is disturbance "
        "from outside, a missing common wire, or a level near the threshold.",
        "Lay the data cable apart from mains and motor feeds, connect the common wire (and the "
        "screen at one end), check the terminators; read fewer registers at once until then. "
        + _MEASURE,
        CAUTION_BUS,
    ),
    "answers-in-pieces": Entry(
        Severity.NOTE,
        "{count} answers came in pieces, with pauses of up to {longest_ms} ms.",
        "Their check sums prove them whole, so nothing was lost. A busy computer or an adapter "
        "that saves bytes up hands over anybody's bytes late; a device that pauses inside its "
        "answers looks the same unless other devices answer at the same length without a pause.",
        "Close other programs on this computer, set the latency timer of the adapter to 1 ms, and "
        "test again. If the pauses stay, some masters will refuse such answers (MODBUS over Serial "
        "Line V1.02, section 2.5.1.1): ask for an update of the device.",
    ),
    "device-pauses": Entry(
        Severity.WARNING,
        "The device at address {address} pauses inside its answers, for up to {longest_ms} ms.",
        "{share} of its answers came in pieces, with a pause after {after} bytes, and none of "
        "{others} answers of that length from other devices: so it is neither this computer nor "
        "the adapter. Masters that take a silence of 1.5 or 3.5 characters for the end of a frame "
        "(MODBUS over Serial Line V1.02, section 2.5.1.1) throw such answers away.",
        "Ask for an update of the device; until then read so few registers at once that the answer "
        "ends before its pause, or set masters to wait longer inside a frame.",
    ),
    "switching-edges": Entry(
        Severity.NOTE,
        "A stray FF stands beside the answers.",
        "One low pulse of about a bit at a switching driver; harmless here, but some masters throw "
        "the answer away.",
        "Fit or switch on the bias of the line; a terminator at both ends helps as well.",
        CAUTION_BUS,
    ),
}

_DRIVERS: dict[str, Entry] = {
    "driver-late": Entry(
        Severity.FAULT,
        "The tool's adapter lets go of the line too late.",
        "The start of answers is destroyed and their end agrees with the check: another driver is "
        "still on when {which} begins to answer (after {fastest} ms).",
        "Use an adapter that switches its direction by itself, or set a shorter delay in its "
        "driver. If the energy manager shows the same, its adapter has the same fault.",
    ),
    "first-byte-lost": Entry(
        Severity.FAULT,
        "The first byte of answers from address {address} is lost.",
        "Answers begin with their second byte, or with a destroyed one, whatever their delay; "
        "other addresses are sound. Its driver comes on too late.",
        "Set a longer delay before sending in the device if it has one, fit bias, or replace its "
        "RS-485 module.",
        CAUTION_BUS,
    ),
    "last-byte-lost": Entry(
        Severity.FAULT,
        "The last byte of answers from address {address} is missing or cut.",
        "{count} answers lack it and it does not turn up later: the driver is released before the "
        "last character is out.",
        "Ask the maker for a firmware that waits for the end of the last character; until then the "
        "master must repeat.",
    ),
    "rolling-answer": Entry(
        Severity.FAULT,
        "The last byte of an answer comes with the next one ({where}).",
        "{count} answers become whole when their last byte is taken from the answer that follows: "
        "a buffer hands it over late. It looks like noise and is none.",
        "Update or replace the device or converter that holds bytes back; at address level a "
        "repeated request does not help.",
    ),
    "minimum-gap": Entry(
        Severity.FAULT,
        "The device at address {address} needs a rest of about {needed_ms} ms before a request.",
        "Requests soon after other traffic stay unanswered ({short}), the same requests after a "
        "pause are answered ({long}).",
        "Set the pause between requests in the energy manager to at least {set_ms} ms.",
    ),
    "slow-device": Entry(
        Severity.WARNING,
        "The device at address {address} takes up to {slowest_ms} ms to answer.",
        "A time-out shorter than that loses its answers, or takes them for those of the next "
        "device.",
        "Set the response time-out of the energy manager to at least {needed_ms} ms.",
    ),
    "requests-dropped": Entry(
        Severity.FAULT,
        "The device at address {address} ignores {share} of its requests.",
        "They stay unanswered whatever their length, pause and neighbours; what is answered is "
        "sound.",
        "Let the master repeat; update the device, or look for a loose wire at its terminals.",
        CAUTION_BUS,
    ),
    "deaf-after-others": Entry(
        Severity.FAULT,
        "The device at address {address} goes deaf after traffic of other devices.",
        "It misses requests after another device was asked ({after}), and none when it is asked "
        "again itself ({alone}): it loses its place while it listens to others.",
        "Poll this device after a pause of half a second, give it a line of its own, or update it.",
    ),
    "answers-for-others": Entry(
        Severity.FAULT,
        "The device at address {address} answers requests that are not for it.",
        "Its answers came to {count} requests for other addresses. A master may take them for "
        "the answer it waits for.",
        "Check that its address was taken over (restart it), then update its firmware.",
    ),
    "wrong-parity": Entry(
        Severity.WARNING,
        "The device at address {address} does not use the line's parity.",
        "Its answers are whole, but the receiver reports parity or framing errors for them at "
        "{settings}{better}.",
        "Set all devices and the master to the same parity and stop bits.",
    ),
    "gateway-between": Entry(
        Severity.NOTE,
        "A gateway answers in place of address {address}.",
        "Exception {exception} comes from a gateway, not from a device (MODBUS Application "
        "Protocol V1.1b3, section 7): the gateway works, the device behind it does not answer.",
        "Check the line behind the gateway and its time-out there.",
    ),
    "damage-at-address": Entry(
        Severity.FAULT,
        "Answers from address {address} alone are damaged.",
        "{count} of {total} of its answers were damaged, those of other addresses were not, and "
        "one device explains it as well as two: its driver, its wires or its supply.",
        "Check its bus terminals and its common wire; swap its place with a sound device and see "
        "which of the two the fault follows.",
        CAUTION_BUS,
    ),
    "device-silent": Entry(
        Severity.FAULT,
        "The device at address {address} does not answer, others do.",
        "None of {count} requests brought a byte. It has no power, another address or other "
        "settings, a cut or exchanged pair of its own, or a dead transceiver.",
        "Look at its power and display; then exchange its two bus wires for a try.",
        CAUTION_BUS,
    ),
    "line-silent": Entry(
        Severity.FAULT,
        "Nothing answers on this line.",
        "{count} requests to {addresses} brought {bytes} bytes. {hint}",
        "Check in this order: meters powered; the two bus wires at the tool, then exchanged for a "
        "try; the common wire; the line settings; another adapter.",
        CAUTION_BUS,
    ),
    "line-undecided": Entry(
        Severity.WARNING,
        "Something is not right with {what}, but its cause remains undecided.",
        "{bad} of {total} exchanges were not clean. The likeliest: {likely}.",
        "Let it run longer (--soak 600), ask more addresses, or use an adapter that reports "
        "framing and parity errors.",
    ),
}

ENTRIES: dict[str, Entry] = {**_HEARD, **_SEARCH, **_LEVELS, **_DRIVERS}
