"""Changes of address and settings on simulated meters, well and badly behaved, command to wire."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner

from busprobe.cli.app import Outside, application
from busprobe.cli.documents import json_schema
from busprobe.launch import link_opener, run_terminal, simulation_server, simulator
from busprobe.model.line import Endpoint, LineSettings
from busprobe.session.ports import OpenedLink
from busprobe_sim.scenario.bus import SimulatedBus

# MODBUS Application Protocol V1.1b3, sections 6.5, 6.6, 6.11, 6.12, 6.15 to 6.17.
WRITING = (5, 6, 15, 16, 21, 22, 23)


@dataclass
class Ended:
    """A command that ended, and the bus as it left it."""

    status: int
    document: dict[str, Any]
    err: str
    bus: SimulatedBus

    @property
    def result(self) -> dict[str, Any]:
        result: dict[str, Any] = self.document["result"]
        return result

    def written(self) -> list[tuple[int, int, int]]:
        """Address, register and value of every write that was on the line."""
        found = []
        for entry in self.bus.line.log:
            if entry.sender.startswith("port") and entry.data[1] in WRITING:
                at = 4 if entry.data[1] == 6 else 7
                found.append(
                    (
                        entry.data[0],
                        int.from_bytes(entry.data[2:4], "big"),
                        int.from_bytes(entry.data[at : at + 2], "big"),
                    )
                )
        return found

    def station(self, serial: str) -> tuple[int, LineSettings]:
        """Where a device really answers."""
        number = [d.serial for d in self.bus.truth.devices].index(serial)
        station = self.bus.stations[number]
        return station.address, station.settings


def readdress(link: str, *arguments: str) -> Ended:
    kept: list[SimulatedBus] = []

    async def open_link(endpoint: Endpoint, settings: LineSettings | None) -> OpenedLink:
        opened, bus = simulator().open_simulated(endpoint, settings or LineSettings(), "virtual")
        kept.append(bus)
        return OpenedLink(opened, bus.hands)

    outside = Outside(open_link, run_terminal, simulator, simulation_server)
    call = ["readdress", f"sim:{link}", *arguments, "--json"]
    done = CliRunner().invoke(application, call, obj=outside)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    document = json.loads(done.stdout) if done.stdout else {}
    if "result" in document:
        jsonschema.validate(document, json_schema("readdress"))
    return Ended(done.exit_code, document, done.stderr, kept[0])


def accounted_for(ended: Ended) -> list[tuple[int, int, int]]:
    """The writes that the document tells of."""
    return [
        (w["sent_to"], w["register"], w["value"])
        for w in ended.result["writes"]
        if w["outcome"] is not None
    ]


# What a technician would find by switching the meter off and on and searching: the scenario files
# say how each meter behaves.
CASES = [
    ("restarting-meters", "1", "11", "changed", "TF30-131001", 11, "not answered, but taken"),
    ("restarting-meters", "2", "12", "unchanged", "TF30-131002", 2, "for a moment and is back"),
    ("restarting-meters", "3", "13", "uncertain", "TF30-131003", 13, "neither at address 3"),
    ("restarting-meters", "4", "14", "changed", "TF30-131004", 14, "from the new place"),
    ("obstinate-meters", "1", "11", "rolled-back", "TF30-140201", 1, "switched off and on"),
    ("obstinate-meters", "2", "12", "rolled-back", "702002", 2, "refused register 2010"),
    ("obstinate-meters", "3", "13", "unchanged", "TF30-140203", 3, "hold the old values again"),
    ("obstinate-meters", "4", "14", "rolled-back", "702004", 4, "refused register 2010"),
]


@pytest.mark.parametrize(
    ("scenario", "address", "new", "state", "serial", "really_at", "words"), CASES
)
def test_every_outcome_is_told_as_it_is(
    scenario: str, address: str, new: str, state: str, serial: str, really_at: int, words: str
) -> None:
    ended = readdress(scenario, address, new, "--yes")
    result = ended.result
    assert result["state"] == state
    assert words in result["text"] + " ".join(w["outcome"] or "" for w in result["writes"])
    assert ended.station(serial)[0] == really_at
    assert result["answers_at"] in ((None,) if state == "uncertain" else (really_at,))
    assert ended.written() == accounted_for(ended)
    assert ended.status == (0 if state == "changed" else 1)


def test_a_meter_that_wants_power_is_switched_off_and_on_and_looked_for() -> None:
    ended = readdress("obstinate-meters", "5", "15", "--yes")
    assert ended.result["state"] == "changed"
    assert "off and on" in ended.err
    assert ended.bus.stations[4].address == 15
    assert ended.written() == [(5, 0x0600, 15)]


def test_after_a_roll_back_nothing_waits_for_the_next_power_cut() -> None:
    ended = readdress("obstinate-meters", "1", "11", "--yes")
    line = ended.bus.line
    assert ended.bus.hands.power_cycle(1, line.now_ns)
    line.run_until(line.now_ns + 10_000_000_000)
    assert ended.bus.stations[0].address == 1


@pytest.mark.parametrize(
    ("scenario", "address", "options", "serial", "settings"),
    [
        ("restarting-meters", "4", ("--new-baud", "19200"), "TF30-131004", "19200 8N1"),
        ("factory-fresh-pair", "2", ("--new-baud", "38400"), "TF30-090871", "38400 8N1"),
        (
            "healthy",
            "2",
            ("--new-baud", "19200", "--new-parity", "E", "--new-stop-bits", "1"),
            "700412",
            "19200 8E1",
        ),
        ("healthy", "2", ("--new-parity", "N", "--new-stop-bits", "2"), "700412", "9600 8N2"),
    ],
)
def test_line_settings_are_followed_on_the_link(
    scenario: str, address: str, options: tuple[str, ...], serial: str, settings: str
) -> None:
    ended = readdress(scenario, address, *options, "--yes")
    assert ended.result["state"] == "changed"
    assert str(ended.station(serial)[1]) == settings
    assert _words(ended.result["answers_settings"]) == settings
    assert _words(ended.document["link"]["settings"]) == settings
    assert ended.written() == accounted_for(ended)


def _words(part: dict[str, Any]) -> str:
    return str(LineSettings(**part)) if part else ""


def test_address_and_rate_change_in_one_go_step_by_step() -> None:
    ended = readdress("factory-fresh-pair", "2", "7", "--new-baud", "19200", "--yes")
    assert ended.result["state"] == "changed"
    assert ended.station("TF30-090871") == (7, LineSettings(19200))
    assert ended.written() == accounted_for(ended)
    assert ended.written()[0] == (2, 4096, 7)
    # It moved at the first write: the second one goes to its new address.
    assert ended.written()[-1] == (7, 4097, 2)


@pytest.mark.parametrize(
    ("link", "arguments", "reason"),
    [
        ("factory-fresh-pair", ("1", "5"), "More than one"),
        ("factory-fresh-pair", ("2", "1"), "answers at address 1 already"),
        ("foreign-master", ("1", "5"), "Another master"),
        ("healthy", ("10", "5"), "No profile"),
        ("healthy", ("2", "2"), "Nothing would change"),
        ("healthy", ("2", "--new-baud", "4800"), "does not take rate 4800"),
    ],
)
def test_what_would_do_harm_is_refused_and_nothing_is_written(
    link: str, arguments: tuple[str, ...], reason: str
) -> None:
    ended = readdress(link, *arguments, "--yes")
    assert ended.status == 2
    assert reason in ended.err
    assert ended.written() == []


def test_a_change_stands_in_the_recording_of_the_visit(tmp_path: Path) -> None:
    file = tmp_path / "visit.busprobe"
    ended = readdress("healthy", "2", "7", "--yes", "--record", str(file))
    outside = Outside(link_opener(pace="virtual"), run_terminal, simulator, simulation_server)
    shown = CliRunner().invoke(application, ["recording", str(file), "--json"], obj=outside)
    document = json.loads(shown.stdout)
    jsonschema.validate(document, json_schema("recording"))
    (change,) = document["result"]["changes"]
    assert (change["before"], change["after"]) == ("address 2, 9600 8N1", "address 7, 9600 8N1")
    assert change["state"] == "changed"
    assert change["confirmed_by"] == "the option --yes"
    assert len(change["writes"]) == len(ended.written()) == 3
    words = CliRunner().invoke(application, ["recording", str(file)], obj=outside).stdout
    assert "address 2, 9600 8N1 should become address 7, 9600 8N1; changed, confirmed by" in words
