"""The first plan of a site, from what a search found.

Only what was found is written; what must be known from elsewhere stands there as a comment, so that
the technician fills it in instead of believing it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from busprobe.model.device import Device
from busprobe.model.line import Endpoint, LineSettings, LinkKind
from busprobe.profiles.uniform import INVERTERS, METERS, best_measuring_block
from busprobe.site.plan_rules import next_free

_SYSTEMS = {1: "1p", 2: "split", 3: "3p4w", 4: "3p3w"}


@dataclass(frozen=True, slots=True)
class Scanned:
    """A device that a search found.

    Attributes:
        device: What is known of it.
        settings: The line settings at which it answers, None on Modbus TCP.
        serials: Serial numbers at its address, where more than one device answers there.
        system: How its profile says it is connected, where it has one.
    """

    device: Device
    settings: LineSettings | None
    serials: tuple[str, ...] = ()
    system: str = ""


def first_plan(
    endpoint: Endpoint, home: LineSettings | None, found: Sequence[Scanned], made: str
) -> str:
    """The text of a plan.

    Args:
        endpoint: The link that was searched.
        home: Settings of most devices, None on Modbus TCP.
        found: Who was found.
        made: When, in words.

    Returns:
        YAML that `busprobe.site.plan` takes as it is.
    """
    taken = {s.device.address for s in found}
    meters = [s for s in found if _kind(s.device) == "meter"]
    inverters = [s for s in found if _kind(s.device) == "inverter"]
    others = [s for s in found if _kind(s.device) == "other"]
    lines = [
        f"# First plan, written from a search on {made}.",
        "# Only what was found is written. Fill in what the comments ask for, take out what is not",
        "# needed, then: busprobe verify THIS_FILE",
        "# Completion in an editor: busprobe schema plan > plan.schema.json",
        "# yaml-language-server: $schema=./plan.schema.json",
        "format: 1",
        "",
        "site:",
        "  name: unnamed site   # name of the site",
        "  # customer, address, order, grid_operator, notes: free text",
        "  # nominal_v: 230   # line to neutral",
        "",
        "links:",
        f"  - name: {_LINE}",
        f"    link: {_quoted(endpoint.argument)}",
    ]
    if home is not None:
        lines.append(f"    settings: {home}")
    if endpoint.kind is not LinkKind.TCP:
        lines += [
            "    # length_m: 50            # length of the cable",
            "    # termination: both ends  # both ends, one end, none",
            "    # bias: one place         # one place, several places, none",
            "    # poll_s: 1               # how often the energy manager polls",
        ]
    if meters:
        lines += ["", "meters:"]
        for scanned in meters:
            lines += _meter(scanned, home, taken)
    lines += _inverters(inverters, home, taken)
    rest = others + (inverters if len(inverters) > 1 else [])
    if rest:
        lines += ["", "others:"]
        for scanned in rest:
            lines += _device(scanned, home, taken, "device", "  ")
    lines += _unknown()
    return "\n".join(lines) + "\n"


_LINE = "line 1"


def _kind(device: Device) -> str:
    """Whether a device is a meter, an inverter or something else, by its map."""
    if device.sunspec is not None:
        best = best_measuring_block(device.sunspec.models)
        if best is None:
            return "other"
        if best.model_id in METERS:
            return "meter"
        return "inverter" if best.model_id in INVERTERS else "other"
    return "meter" if device.profile is not None and device.phases else "other"


def _quoted(text: str) -> str:
    """A YAML text that is nothing but text; double-quoted YAML takes what JSON writes."""
    return json.dumps(text, ensure_ascii=False)


def _device(
    scanned: Scanned, home: LineSettings | None, taken: set[int], kind: str, indent: str
) -> list[str]:
    device = scanned.device
    identity = device.identity
    lead = f"{indent}- " if indent else "  "
    body = f"{indent}  "
    lines = [
        f"{lead}name: {kind} {device.address}",
        f"{body}link: {_LINE}",
        f"{body}address: {device.address}",
    ]
    if len(scanned.serials) > 1 or device.duplicate == "duplicate":
        lines += _shared(scanned, body, taken)
    elif device.duplicate == "undecided" and home is not None:
        lines.append(f"{body}# Whether one or two devices answer here is undecided.")
    told = [("maker", identity.maker), ("model", identity.model)]
    if len(scanned.serials) <= 1 and device.duplicate != "duplicate":
        told.append(("serial", identity.serial))
    told.append(("profile", device.profile or ""))
    lines += [f"{body}{key}: {_quoted(value)}" for key, value in told if value]
    if not any(value for _, value in told):
        lines.append(f"{body}# It does not say who it is.")
    median = device.turnaround.median_ms
    if median is not None:
        lines.append(f"{body}turnaround_ms: {median:.1f}   # measured")
    if scanned.settings is not None and scanned.settings != home:
        lines.append(f"{body}# It answers at {scanned.settings}, not at the settings of the line.")
    return lines


def _shared(scanned: Scanned, body: str, taken: set[int]) -> list[str]:
    free = next_free(taken)
    serials = f" (serial numbers {', '.join(scanned.serials)})" if scanned.serials else ""
    offer = "the next free address" if free is None else f"address {free}, the next free one"
    return [
        f"{body}# More than one device answers at this address{serials}.",
        f"{body}# Plan one of them here and the other at {offer}.",
    ]


def _meter(scanned: Scanned, home: LineSettings | None, taken: set[int]) -> list[str]:
    lines = _device(scanned, home, taken, "meter", "  ")
    device = scanned.device
    system = scanned.system
    if device.sunspec is not None:
        best = best_measuring_block(device.sunspec.models)
        system = "" if best is None else _SYSTEMS.get(best.model_id % 10, "")
    if system:
        lines.append(f"    system: {system}   # by its register map")
    return [
        *lines,
        "    # role: grid          # grid (exactly one), generation, consumption, sub-meter",
        "    # behind: meter 1     # the meter upstream that counts its power too",
        "    # feeds: load         # pv, wind, hydro, chp, battery, load",
        "    # ct: {primary_a: 100, secondary_a: 5, set_ratio: 20}   # or direct_a: 63",
        "    # fuse_a: 63",
    ]


def _inverters(
    inverters: Sequence[Scanned], home: LineSettings | None, taken: set[int]
) -> list[str]:
    if not inverters:
        return [
            "",
            "# No inverter answered. Where the hybrid inverter answers on a line:",
            "# inverter: {name: hybrid, link: line 1, address: 10, rating_kw: 8}",
        ]
    if len(inverters) > 1:
        return [
            "",
            f"# {len(inverters)} devices have the map of an inverter (under 'others'). Which of",
            "# them is the hybrid inverter they do not say: move that one here, as 'inverter:'.",
        ]
    return [
        "",
        "# It has the map of an inverter. Whether it is the hybrid inverter it does not say.",
        "inverter:",
        *_device(inverters[0], home, taken, "inverter", ""),
        "  # rating_kw: 8",
        "  # fuse_a: 16",
        "  # runs_island: false    # whether it carries the site without the grid",
    ]


def _unknown() -> list[str]:
    return [
        "",
        "# What no register tells:",
        "# battery: {capacity_kwh: 10, charge_kw: 5, discharge_kw: 5}",
        "# generators:",
        "#   - {name: roof, kind: pv, rating_kw: 6, meter: meter 2, fuse_a: 16, curtailable: true}",
        "# limits: {export_kw: 10, charge_kw: 5}",
    ]
