"""Commands as other programs and people call them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import click
import jsonschema
import pytest
from click.testing import CliRunner

from busprobe.cli.app import COMMANDS, Outside, application
from busprobe.cli.documents import RESULTS, json_schema
from busprobe.launch import link_opener, run_terminal, simulation_server, simulator


@dataclass(frozen=True)
class Ran:
    """What one call printed, and how it ended."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> dict:
        return json.loads(self.out)


def busprobe(*arguments: str | Path, stdin: str | None = None) -> Ran:
    outside = Outside(link_opener(pace="virtual"), run_terminal, simulator, simulation_server)
    result = CliRunner().invoke(application, [str(a) for a in arguments], obj=outside, input=stdin)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Ran(result.exit_code, result.stdout, result.stderr)


def checked(ran: Ran, command: str) -> dict:
    """The document of a call, held against its own JSON Schema."""
    document = ran.document
    schema = json_schema(command)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(document, schema)
    assert document["schema"] == "busprobe/1"
    assert document["command"] == command
    return document


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_has_help(command: str) -> None:
    ran = busprobe(command, "--help")
    assert ran.status == 0
    assert ran.out.startswith("Usage:")


def test_an_unknown_command_names_the_nearest() -> None:
    ran = busprobe("scam")
    assert ran.status == 2
    assert "'scan'" in ran.err


@pytest.mark.parametrize("command", sorted(RESULTS))
def test_schema_prints_what_the_documents_follow(command: str) -> None:
    ran = busprobe("schema", command)
    assert ran.status == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(ran.out))


def test_decode_explains_the_example_of_the_specification() -> None:
    # MODBUS Application Protocol V1.1b3, section 6.3, at address 17.
    document = checked(busprobe("decode", "--json", "11 03 00 6B 00 03 76 87"), "decode")
    (frame,) = document["result"]["frames"]
    assert frame["address"] == 17
    assert frame["function"] == 3
    assert frame["role"] == "request"
    assert document["link"] is None


def test_decode_reads_a_file_and_standard_input(tmp_path: Path) -> None:
    file = tmp_path / "bytes.txt"
    file.write_text("00 01 03 02 6D 60 94 FC\n", encoding="utf-8")
    from_file = busprobe("decode", "--json", "--file", file).document
    from_stdin = busprobe("decode", "--json", stdin="000103026D6094FC").document
    assert busprobe("decode", "-", "--json", stdin="000103026D6094FC").document == from_stdin
    assert from_file["result"] == from_stdin["result"]
    assert len(from_file["result"]["junk"]) == 1


@pytest.mark.parametrize(
    "arguments",
    [("decode", "xyz"), ("decode", "--file", "/nowhere/at/all"), ("decode", "01 0g")],
)
def test_bytes_that_are_none_are_told(arguments: Sequence[str]) -> None:
    ran = busprobe(*arguments)
    assert ran.status == 2
    assert ran.err.startswith("busprobe: ")


def test_ports_is_a_document_without_hardware_too() -> None:
    document = checked(busprobe("ports", "--json"), "ports")
    assert isinstance(document["result"]["ports"], list)


def test_simulate_lists_the_scenarios() -> None:
    document = checked(busprobe("simulate", "--list", "--json"), "simulate")
    names = {s["name"] for s in document["result"]["scenarios"]}
    assert {"healthy", "demo", "reversed-ct"} <= names


def test_an_unknown_scenario_is_told_with_near_names() -> None:
    ran = busprobe("scan", "sim:helthy")
    assert ran.status == 2
    assert "healthy" in ran.err


def test_an_error_is_a_document_too_when_asked_for() -> None:
    ran = busprobe("scan", "sim:helthy", "--json")
    assert ran.status == 2
    assert set(ran.document) == {"schema", "command", "version", "error", "next_step"}


@pytest.mark.parametrize("addresses", ["0", "248", "5-1", "x", "1,,2", "1-300"])
def test_addresses_out_of_range_are_refused_before_anything_is_opened(addresses: str) -> None:
    ran = busprobe("scan", "/dev/does-not-exist", "--addresses", addresses)
    assert ran.status == 2
    assert "does-not-exist" not in ran.err


@pytest.mark.parametrize("address", ["0", "248", "300", "-1", "one"])
def test_a_device_address_out_of_range_is_refused(address: str) -> None:
    ran = busprobe("read", "sim:healthy", "--", address)
    assert ran.status == 2


def test_a_port_that_does_not_exist_is_told() -> None:
    ran = busprobe("scan", "/dev/does-not-exist")
    assert ran.status == 3
    assert "does-not-exist" in ran.err
    assert len(ran.err.splitlines()) <= 4


def test_a_host_that_refuses_is_told() -> None:
    # Port 1 of this computer: nobody listens there.
    ran = busprobe("read", "tcp://127.0.0.1:1", "1")
    assert ran.status == 3
    assert "refuse" in ran.err.lower()


@pytest.mark.parametrize("link", ["/dev/ttyUSB0", "COM3", "tcp://192.0.2.1", "sim:demo"])
def test_a_link_where_a_command_belongs_is_told(link: str) -> None:
    ran = busprobe(link)
    assert ran.status == 2
    assert f"busprobe scan {link}" in ran.err


@pytest.mark.parametrize("before", [(), ("demo",)])
def test_colours_and_pictures_of_the_terminal_interface_are_chosen(before: tuple[str, ...]) -> None:
    asked: list[dict[str, object]] = []

    def note(**wishes: object) -> int:
        asked.append(wishes)
        return 0

    outside = Outside(link_opener(pace="virtual"), note, simulator, simulation_server)
    wanted = ["--theme", "contrast-light", "--glyphs", "half"]
    result = CliRunner().invoke(application, [*before, *wanted], obj=outside)
    assert result.exit_code == 0
    (wishes,) = asked
    assert wishes["theme"] == "contrast-light"
    assert wishes["glyphs"] == "half"


def test_every_theme_that_can_be_chosen_exists(monkeypatch: pytest.MonkeyPatch) -> None:
    from busprobe.tui.theme import THEMES

    opened: list[str] = []
    monkeypatch.setattr("busprobe.tui.app.run_app", lambda *_, **w: opened.append(w["theme"]))
    (option,) = [p for p in application.params if p.name == "theme"]
    for choice in option.type.choices:  # type: ignore[attr-defined]
        run_terminal(link=None, theme=choice)
    assert sorted(opened) == sorted(THEMES)


def test_words_fill_the_terminal_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    from busprobe.cli import words

    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    for columns, expected in ((80, 79), (200, 96), (20, 40)):
        monkeypatch.setenv("COLUMNS", str(columns))
        assert words.width() == expected


def test_a_terminal_without_a_sign_gets_a_near_one() -> None:
    from busprobe.cli.plain import encodable

    assert encodable("✔ fine → 5 Ω ± 1 · 表", "ascii") == "+ fine -> 5 Ohm +/- 1 - ?"
    assert encodable("✔ 5 · ±", "latin-1") == "+ 5 · ±"
    assert encodable("✔ 表", "utf-8") == "✔ 表"


@pytest.mark.parametrize("raised", [KeyboardInterrupt, click.Abort])
def test_a_key_that_stops_is_no_fault_wherever_it_strikes(
    raised: type[BaseException], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> None:
        raise raised

    monkeypatch.setattr("busprobe.cli.app.importlib.import_module", interrupted)
    ran = busprobe("scan", "sim:demo")
    assert ran.status == 130
    assert ran.err.endswith("Stopped.\n")
    assert ran.out == ""


@pytest.mark.parametrize("link", ["192.0.2.4", "192.0.2.4:502", "meter.example:502"])
def test_a_network_address_without_its_kind_is_told_how_to_write_it(link: str) -> None:
    ran = busprobe("scan", link)
    assert ran.status == 2
    assert f"tcp://{link}" in ran.err


def test_where_no_verdict_was_reached_no_probability_is_told(tmp_path: Path) -> None:
    ran = busprobe("wiring", "sim:healthy", "2", "--duration", "10")
    assert "UNDECIDED" in ran.out
    assert "0.00 %" not in ran.out
