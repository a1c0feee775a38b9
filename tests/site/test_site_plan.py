"""Site plans: what is taken, what is refused, and where every mistake is told."""

from __future__ import annotations

import hashlib
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML
from verifying import EXAMPLE, HEALTHY, plan_of

from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings, Parity
from busprobe.site.plan import load_plan, plan_schema
from busprobe.site.plan_parts import line_settings
from busprobe.site.plan_rules import next_free, rated_current_a

GOOD = EXAMPLE.read_text(encoding="utf-8")
LINK = "    link: meter bus\n"
SLOW = "9600 8N1\n    length_m: 110\n    termination: "
FAST = "115200 8N1\n    length_m: 300\n    termination: "
OF_WHEEL = "meter: water wheel meter"


def grid(more: str) -> str:
    """The healthy plan with more said of its grid meter."""
    return HEALTHY.replace("role: grid,", f"role: grid, {more},")


def mistakes(text: str) -> list[str]:
    """The lines of the error that a plan is refused with."""
    with pytest.raises(InputError) as caught:
        plan_of(text)
    return caught.value.cause.splitlines()


def advice(text: str, folder: Path) -> list[str]:
    file = folder / "plan.yaml"
    file.write_text(text, encoding="utf-8")
    return [line.removeprefix(f"{file}:") for line in load_plan(file).advice]


def place(text: str, piece: str) -> str:
    """Line and column of the mark | in a piece of the text."""
    at = text.index(piece.replace("|", "")) + piece.index("|")
    before = text[:at]
    return f"{before.count(chr(10)) + 1}:{at - (before.rfind(chr(10)) + 1) + 1}"


def test_the_example_is_good_and_needs_no_advice() -> None:
    loaded = load_plan(EXAMPLE)
    assert loaded.advice == ()
    assert loaded.sha256 == hashlib.sha256(EXAMPLE.read_bytes()).hexdigest()
    assert loaded.plan.links[0].line_settings == LineSettings(9600, Parity.NONE, 1)
    assert [m.shown_phases for m in loaded.plan.meters] == [("L1", "L2", "L3")] * 3


def test_the_schema_takes_what_the_program_takes() -> None:
    schema = plan_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    data = YAML(typ="safe").load(GOOD)
    jsonschema.validate(data, schema)
    data["meters"][0]["adress"] = 4
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, schema)


@pytest.mark.parametrize(
    ("old", "new", "where", "words"),
    [
        # The mark | stands before the value that has to be changed.
        ("address: 3", "address: 1", f"water wheel meter\n{LINK}    address: |1\n", "3 is free"),
        ("role: consumption", "role: grid", "role: |grid\n    behind", "one feed-in point"),
        ("set_ratio: 20", "set_ratio: 40", "set_ratio: |40", "2 times the true one"),
        ("poll_s: 2", "poll_s: 0.5", "poll_s: |0.5", "cannot carry"),
        ("length_m: 110", "length_m: 1500", "length_m: |1500", "1200 m"),
        ("rating_kw: 8", "rating_kw: 80", "fuse_a: |16\n\nbattery", "more than the fuse"),
        ("rating_kw: 5.5", "rating_kw: 55", "ct: |{primary_a: 25", "per phase at its rating"),
        (OF_WHEEL, "meter: mill meter", "meter: |mill meter", "no meter 'mill meter'"),
        (OF_WHEEL, "meter: heat pump meter", "meter: |heat pump meter", "not 'generation'"),
        ("kind: hydro", "kind: wind", "meter: |water wheel meter\n    fuse", "feed hydro"),
        (f"{LINK}    address: 2", "    link: bus 2\n    address: 2", "link: |bus 2", "'bus 2'"),
        ("  charge_kw: 5", "  charge_kw: 4", "10\n  charge_kw: |5\n", "no more than 4 kW"),
        ("export_kw: 10", "export_kw: 100", "export_kw: |100", "fuse of 63 A"),
        ("address: 10\n", "address: 248\n", "address: |248\n", "reserved"),
        ("settings: 9600 8N1", "settings: 9600 7N1", "settings: |9600", "9600 8N1"),
        ("link: sim:demo", 'link: "udp://x"', 'link: |"udp://x"', "kind of link"),
        (
            "name: heat pump meter",
            "name: grid meter",
            f"name: |grid meter\n{LINK}    address: 2",
            "already meters.0",
        ),
    ],
)
def test_a_contradiction_is_told_where_it_stands(
    old: str, new: str, where: str, words: str
) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    lines = mistakes(text)
    at = place(text, where)
    told = [line for line in lines if line.startswith(f"plan.yaml:{at}: ")]
    assert any(words in line for line in told), (at, lines)


def test_all_mistakes_are_told_at_once_and_in_order() -> None:
    text = GOOD.replace("address: 3", "address: 1").replace("set_ratio: 20", "set_ratio: 2")
    text = text.replace("poll_s: 2", "poll_s: 0.1")
    lines = mistakes(text)
    assert len(lines) == 3
    numbers = [int(line.split(":")[1]) for line in lines]
    assert numbers == sorted(numbers)


def test_syntax_goes_before_rules() -> None:
    (line,) = mistakes(
        GOOD.replace("kind: hydro", "kind: hydra").replace("poll_s: 2", "poll_s: 0.1")
    )
    assert "generators.0.kind" in line
    (line,) = mistakes(GOOD.replace("feeds: load", "fedes: load"))
    assert line.endswith("fedes: is not a key that is known here")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (HEALTHY.replace("behind: grid", "behind: workshop"), "circle"),
        (HEALTHY.replace(", behind: grid", ""), "needs 'behind'"),
        (HEALTHY.replace("role: grid", "role: consumption"), "no meter has the role"),
        (HEALTHY.replace('"sim:healthy"', "tcp://10.0.0.9"), "Modbus TCP has no such thing"),
        (grid("direct_a: 63, ct: {primary_a: 100}"), "has CTs"),
        (grid("direct_a: 50, fuse_a: 63"), "it takes 50 A"),
        (grid("phases: [L1, L1]"), "names a phase twice"),
        (grid("system: 1p, phases: [L1, L2]"), "no more than 1"),
        (grid("ct: {primary_a: 5, secondary_a: 5}"), "not below"),
    ],
)
def test_more_contradictions(text: str, words: str) -> None:
    assert any(words in line for line in mistakes(text)), mistakes(text)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("settings: 9600 8N1", "settings: 9600"),
        ("    fuse_a: 63\n", "    phases: [L4]\n"),
        ("    fuse_a: 63\n", "    phases: []\n"),
    ],
)
def test_one_mistake_is_told_once(old: str, new: str) -> None:
    assert len(mistakes(GOOD.replace(old, new, 1))) == 1


def test_a_plan_without_lines_is_none() -> None:
    assert mistakes("{format: 1, site: {name: x}, links: []}") == [
        "plan.yaml:1:37: links: must not be empty"
    ]


def test_a_plan_whose_roles_are_still_open_is_taken_with_advice(tmp_path: Path) -> None:
    text = HEALTHY.replace("role: grid, ", "").replace("role: sub-meter, behind: grid,", "")
    lines = advice(text, tmp_path)
    assert len(lines) == 2
    assert all("has no 'role' yet" in line for line in lines)
    assert lines[0].startswith(place(text, "|{name: grid") + ": meters.0: ")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (f"{LINK}    address: 1\n", f"{LINK}    address: 4\n", "factory address 1"),
        ("    meter: water wheel meter\n", "", "has no 'meter'"),
        ("poll_s: 2", "poll_s: 1.2", "slips behind"),
        (f"{SLOW}both ends", f"{FAST}none", "up to 143 m it would do without"),
        ("bias: one place", "bias: none", "failsafe"),
        ("bias: one place", "bias: several places", "one place of the line"),
        ("ct: {primary_a: 25, secondary_a: 5, set_ratio: 5}", "ct: {primary_a: 250}", "below 5 %"),
        ("fuse_a: 63", "fuse_a: 110", "smaller than the fuse"),
    ],
)
def test_advice(old: str, new: str, words: str, tmp_path: Path) -> None:
    assert old in GOOD
    assert any(words in line for line in advice(GOOD.replace(old, new, 1), tmp_path))


def test_a_slow_line_needs_no_terminators(tmp_path: Path) -> None:
    # Three round trips within half a bit (B&B RS-422 and RS-485 Applications, p. 29), 0.66 c:
    # 1718 m at 9600 Bd, 143 m at 115200 Bd.
    assert advice(GOOD.replace("termination: both ends", "termination: none"), tmp_path) == []


def test_the_line_must_carry_the_polling_by_the_published_frame_times() -> None:
    # MODBUS Application Protocol V1.1b3, sections 4.1 and 6.3: 8 bytes of request, 5 + 2 n of
    # response; Modbus over Serial Line V1.02, section 2.5.1.1: 3.5 characters between frames.
    # Four devices, 105 registers, 10 bits a character at 9600 Bd, 50 ms turn-around:
    # 4 * ((8 + 215 + 3.5) * 10 / 9600 + 0.05) = 1.14 s.
    (line,) = mistakes(GOOD.replace("poll_s: 2", "poll_s: 1.14"))
    assert "takes 1.14 s" in line
    plan_of(GOOD.replace("poll_s: 2", "poll_s: 1.15"))


def test_a_serial_line_takes_no_host_address_but_a_host_does() -> None:
    text = HEALTHY.replace("address: 10", "address: 255")
    assert any("reserved" in line for line in mistakes(text))
    host = text.replace('"sim:healthy", settings: 9600 8N1, length_m: 60', "tcp://10.0.0.9")
    assert plan_of(host).inverter is not None


@pytest.mark.parametrize("text", ["9600", "9600 7E1", "9600 8X1", "9600 8N3", "8N1 9600", ""])
def test_settings_that_are_none(text: str) -> None:
    with pytest.raises(ValueError, match="must be"):
        line_settings(text)


@given(st.sets(st.integers(1, 247)))
def test_the_next_free_address_is_the_lowest_that_nobody_has(taken: set[int]) -> None:
    free = next_free(taken)
    if free is None:
        assert len(taken) == 247
    else:
        assert free not in taken
        assert set(range(1, free)) <= taken


def test_rated_current() -> None:
    # 11 kW on three phases of 230 V: 15.94 A (P = 3 V I).
    assert rated_current_a(11, ("L1", "L2", "L3"), 230.0) == pytest.approx(15.94, abs=0.005)
    assert rated_current_a(3.68, ("L2",), 230.0) == pytest.approx(16.0)


@given(st.text(max_size=300))
def test_no_text_brings_anything_but_a_plan_or_a_clear_word(text: str) -> None:
    told = ""
    try:
        plan_of(text)
    except InputError as error:
        told = error.cause
    # A plan needs more words than chance writes.
    assert told.startswith("plan.yaml")
