"""Writes the reference pages of the documentation from the models and the catalogue of findings.

    python docs/write_references.py

A test compares the pages with what this writes, so that they cannot fall behind the program.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import ModuleType
from typing import Any

from busprobe.diagnosis.catalogue import (
    CATALOGUE,
    Entry,
    addresses,
    balance,
    bench,
    devices,
    line,
    search,
    site,
    wiring,
)
from busprobe.profiles.schema import QUANTITY_UNITS, profile_schema
from busprobe.site.plan import plan_schema

FOLDER = Path(__file__).parent
NOTICE = "<!-- Written by docs/write_references.py from the program itself: change it there. -->"

# Parts of the catalogue in the order of the job: heading, what its evidence is, entries.
GROUPS: tuple[tuple[str, str, ModuleType], ...] = (
    (
        "Who answers",
        "From `busprobe scan`, and from whatever searches before it works. Evidence: the exchanges "
        "that were answered, answered late, answered in pieces or by nobody, by number.",
        search,
    ),
    (
        "Addresses",
        "From `busprobe duplicates`, `scan` and `verify`. Evidence: the exchanges in which two "
        "answers, a tail of a second one, two different answers to one question, or damage that "
        "one device does not make were heard; each with its bytes in words.",
        addresses,
    ),
    (
        "The line",
        "From `busprobe line`, `listen`, `scan --fast` and `verify`. Evidence: how many exchanges "
        "of which kind failed and how (length, pause, neighbour, place in the frame), set against "
        "those that did not; for what was overheard, the frames of others.",
        line,
    ),
    (
        "What a meter says of itself",
        "From `busprobe read`, `bench` and `verify`. Evidence: the registers that contradict each "
        "other or cannot be, with their values.",
        devices,
    ),
    (
        "A meter on the bench",
        "From `busprobe bench`. Evidence: what was asked and what came back, by the number of the "
        "exchange; for accuracy, the reference value, what the meter showed and the limit of its "
        "class.",
        bench,
    ),
    (
        "Wiring of a meter",
        "From `busprobe wiring` and `verify`. Evidence: the steps of P and Q at each input when "
        "the load was switched, against what this wiring and every other would have given.",
        wiring,
    ),
    (
        "Energy balance",
        "From `busprobe balance` and `verify`. Evidence: how the meters moved together over the "
        "time they were read: slopes, angles, counters, and what the house would have had to draw.",
        balance,
    ),
    (
        "Roles, ratings and limits",
        "From `busprobe verify`. Evidence: the figures of the plan, and the readings that "
        "contradict them.",
        site,
    ),
)

# What is filled into a sentence, where the name of the fact does not tell.
FACTS: Mapping[str, str] = {
    "alone": "m of n",
    "after": "m of n",
    "bad": "number",
    "better": ", and settings that suit it better",
    "bound": "bound (S, V times I)",
    "bytes": "number",
    "choices": "the explanations that fit",
    "conductor": "another conductor",
    "count": "number",
    "damaged": "number",
    "error": "margin",
    "experiment": "the experiment that would decide",
    "explanation": "what it looks like: a scale, a byte order, another register",
    "fastest": "number",
    "given": "the settings that were given",
    "hint": "which is likelier, if anything tells",
    "home": "the settings of the line",
    "likely": "causes with probabilities",
    "listed": "the formats that fit",
    "listen_ms": "number",
    "long": "m of n",
    "manner": "what was heard of it",
    "needed_ms": "number",
    "note": "why",
    "other": "which other meter may be the wrong one",
    "own": "its own conductor",
    "patience_ms": "number",
    "places": "which is on which",
    "reasons": "why no map and no profile fits",
    "seen": "how often, ",
    "set_ms": "number",
    "settings": "settings",
    "share": "share",
    "short": "m of n",
    "slope": "number",
    "slowest_ms": "number",
    "suspects": "the likeliest meters",
    "text": "what the register map breaks",
    "total": "number",
    "what": "what it does, or where",
    "where": "where",
    "charge-limit-above-inverter.charge": "power",
    "charge-limit-below-generator.charge": "power",
    "cts-swapped.first": "one input",
    "cts-swapped.second": "the other",
    "driver-late.which": "the quickest device",
    "duplicate-undecided.percent": "probability",
    "house-load-negative.first": "the likeliest place",
    "nobody-answers.settings": " at which settings",
    "reading-suspect.note": "what is wrong with it",
    "role-contradicts-sign.direction": "import or export",
    "voltage-absent.why": "and what else its readings say",
    "which": "which two they are, where the bytes tell",
    "why": "what was measured",
}


def plan_reference() -> str:
    """The page about site plans."""
    schema = plan_schema()
    page = [
        NOTICE,
        "# Site plan: every key",
        "One YAML file, UTF-8, made in the office and carried to the site. "
        "[The guide](guide.md#the-site-plan) says what it is for, "
        "[mill-lane.plan.yaml](examples/mill-lane.plan.yaml) is one. Unknown keys are mistakes; "
        "what is left out is not checked. `busprobe schema plan` prints the same as JSON Schema, "
        "for completion in an editor.",
        "## The file",
        _table(schema, schema, _headings(schema)),
        *_parts(schema),
    ]
    return "\n\n".join(page) + "\n"


def profile_reference() -> str:
    """The page about device profiles."""
    schema = profile_schema()
    units: dict[str, list[str]] = {}
    for name, unit in QUANTITY_UNITS.items():
        units.setdefault(unit or "none", []).append(name)
    page = [
        NOTICE,
        "# Device profile: every key",
        "One YAML file that says where a device without SunSpec map keeps its values, or how the "
        "address and line settings of any device are changed. "
        "[device_profiles/](../device_profiles/README.md) has examples and says how to write one. "
        "Unknown keys are mistakes. `busprobe schema profile` prints the same as JSON Schema, for "
        "completion in an editor.",
        "## The file",
        _table(schema, schema, _headings(schema)),
        *_parts(schema),
        "## Quantities",
        "What `quantity` may name, and the unit that `scale` leads to.",
        "\n".join(
            [
                "| unit | quantities |",
                "|---|---|",
                *(
                    f"| {unit} | {' '.join(f'`{name}`' for name in names)} |"
                    for unit, names in units.items()
                ),
            ]
        ),
    ]
    return "\n\n".join(page) + "\n"


def findings_reference() -> str:
    """The page about findings."""
    page = [
        NOTICE,
        "# Findings: every code",
        "What the program can find, in the words in which it says so. Each finding of a real "
        "call also carries its probability and its evidence: the numbers of the exchanges or the "
        "values it rests on. [Reading a finding](guide.md#reading-a-finding) explains the parts. "
        "Words in ‹ › are filled in from what was measured.",
        _summary(),
    ]
    for heading, evidence, part in GROUPS:
        page += [f"## {heading}", evidence]
        for code, entry in part.ENTRIES.items():
            page += [f"### {code}", *_entry(code, entry)]
    return "\n\n".join(page) + "\n"


PAGES = {
    "plan-reference.md": plan_reference,
    "profile-reference.md": profile_reference,
    "findings.md": findings_reference,
}


def _summary() -> str:
    rows = ["| | codes |", "|---|---|"]
    for heading, _, part in GROUPS:
        codes = ", ".join(f"[{code}](#{code})" for code in part.ENTRIES)
        rows.append(f"| {heading} | {codes} |")
    return "\n".join(rows)


def _entry(code: str, entry: Entry) -> Iterator[str]:
    yield f"**{entry.severity.value.upper()}** {_told(code, entry.summary)}"
    said = [("Cause", _told(code, entry.cause)), ("Remedy", _told(code, entry.remedy))]
    if entry.caution is not None:
        said.append(("Caution", _plain(entry.caution)))
    yield "\n".join(f"- *{part}:* {text}" for part, text in said)


def _told(code: str, template: str) -> str:
    """A sentence of the catalogue with what is filled in named in ‹ ›."""
    parts = []
    for text, name, _, _ in string.Formatter().parse(template):
        parts.append(_plain(text))
        if name is not None:
            fact = FACTS.get(f"{code}.{name}") or FACTS.get(name) or name.replace("_", " ")
            parts.append(f"‹{fact}›")
    return "".join(parts)


def _plain(text: str) -> str:
    """Text that Markdown takes as it stands."""
    return re.sub(r"([*_<>\[\]|`])", r"\\\1", text)


def _parts(schema: Mapping[str, Any]) -> Iterator[str]:
    """A section for each part that the file refers to, headed by the keys that hold it."""
    headings = _headings(schema)
    for name, heading in headings.items():
        part = schema["$defs"][name]
        yield f"## {heading}"
        yield part.get("description", "")
        yield _table(part, schema, headings)


def _headings(schema: Mapping[str, Any]) -> dict[str, str]:
    """Name of each part -> the keys that hold it, in the order in which the file refers to them."""
    definitions = schema["$defs"]
    places: dict[str, list[str]] = {}
    waiting: list[tuple[str, Mapping[str, Any]]] = [("", schema)]
    while waiting:
        above, part = waiting.pop(0)
        for key, shape in part["properties"].items():
            place = f"{above}.{key}" if above else key
            for name in _references(shape):
                if "properties" not in definitions[name]:
                    continue
                if name not in places:
                    waiting.append((place, definitions[name]))
                places.setdefault(name, []).append(place)
    return {name: ", ".join(dict.fromkeys(keys)) for name, keys in places.items()}


def _references(node: object) -> list[str]:
    found: list[str] = []
    if isinstance(node, Mapping):
        if "$ref" in node:
            found.append(node["$ref"].rpartition("/")[2])
        for value in node.values():
            found += _references(value)
    elif isinstance(node, list):
        for value in node:
            found += _references(value)
    return list(dict.fromkeys(found))


def _table(part: Mapping[str, Any], schema: Mapping[str, Any], headings: Mapping[str, str]) -> str:
    required = set(part.get("required", ()))
    rows = ["| key | value | if left out | meaning |", "|---|---|---|---|"]
    for key, shape in part["properties"].items():
        absent = "**must be given**" if key in required else _default(shape)
        meaning = shape.get("description") or " ".join(
            schema["$defs"][name].get("description", "") for name in _references(shape)
        )
        value = _value(shape, schema["$defs"], headings)
        rows.append(f"| `{key}` | {value} | {absent} | {_cell(meaning)} |")
    return "\n".join(rows)


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("``*``", "`*`").replace("\n", " ")


def _default(shape: Mapping[str, Any]) -> str:
    default = shape.get("default")
    if default in (None, "", [], {}) or isinstance(default, Mapping):
        return "-"
    if isinstance(default, bool):
        return "`true`" if default else "`false`"
    if isinstance(default, list):
        return "`[" + ", ".join(map(str, default)) + "]`"
    return f"`{default:g}`" if isinstance(default, float) else f"`{default}`"


def _value(
    shape: Mapping[str, Any], definitions: Mapping[str, Any], headings: Mapping[str, str]
) -> str:
    """What may stand there, in words."""
    if "$ref" in shape:
        name = shape["$ref"].rpartition("/")[2]
        target = definitions[name]
        if name in headings:
            heading = headings[name]
            anchor = re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")
            return f"[keys of its own](#{anchor})"
        return _value(target, definitions, headings)
    if "anyOf" in shape:
        choices = [s for s in shape["anyOf"] if s.get("type") != "null"]
        return " or ".join(_value(choice, definitions, headings) for choice in choices)
    if "const" in shape:
        return f"`{shape['const']}`"
    if "enum" in shape:
        return ", ".join(f"`{choice}`" for choice in shape["enum"])
    match shape.get("type"):
        case "array":
            return f"list of: {_value(shape['items'], definitions, headings)}"
        case "object":
            return f"code: {_value(shape['additionalProperties'], definitions, headings)}"
        case "boolean":
            return "`true`, `false`"
        case "integer":
            return f"whole number{_range(shape)}"
        case "number":
            return f"number{_range(shape)}"
        case "string":
            return f"text{_length(shape)}"
        case other:
            raise ValueError(f"no words for {other!r}: {shape}")


def _range(shape: Mapping[str, Any]) -> str:
    low, above = shape.get("minimum"), shape.get("exclusiveMinimum")
    high = shape.get("maximum")
    if low is not None and high is not None:
        return f" {low:,} to {high:,}".replace(",", " ")
    words = []
    if above is not None:
        words.append(f"above {above:,}")
    if low is not None:
        words.append(f"{low:,} or more")
    if high is not None:
        words.append(f"up to {high:,}")
    return (" " + ", ".join(words)).replace(",", " ").replace("  ", ", ") if words else ""


def _length(shape: Mapping[str, Any]) -> str:
    longest = shape.get("maxLength")
    return f" up to {longest} characters" if longest is not None else ""


def main() -> None:
    """Write all pages."""
    for heading, _, part in GROUPS:
        unknown = [code for code in part.ENTRIES if CATALOGUE[code] is not part.ENTRIES[code]]
        if unknown:
            raise RuntimeError(f"{heading}: {unknown} are not in the catalogue")
    for name, write in PAGES.items():
        (FOLDER / name).write_text(write(), encoding="utf-8")


if __name__ == "__main__":
    main()
