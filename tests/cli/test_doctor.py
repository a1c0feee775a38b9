"""The doctor looks at the computer and opens nothing."""

from __future__ import annotations

import datetime
from dataclasses import replace

import jsonschema
import pytest
from click.testing import CliRunner

from busprobe.cli import doctor, doctor_looks
from busprobe.cli.app import Outside, application
from busprobe.cli.documents import json_schema
from busprobe.launch import link_opener, run_terminal, simulation_server, simulator
from busprobe.link.ports import PortInfo
from busprobe.model.errors import InputError


def run(*arguments: str):  # type: ignore[no-untyped-def]
    outside = Outside(link_opener(pace="virtual"), run_terminal, simulator, simulation_server)
    return CliRunner().invoke(application, ["doctor", *arguments], obj=outside)


def test_every_look_is_told_with_its_finding() -> None:
    import json

    result = run("--json")
    document = json.loads(result.stdout)
    jsonschema.validate(document, json_schema("doctor"))
    areas = {look["area"] for look in document["result"]["looks"]}
    assert {"serial ports", "clock", "place for recordings", "simulated buses"} <= areas
    assert all(look["mend"] for look in document["result"]["looks"] if look["good"] is False)


def test_a_clock_before_the_release_is_wrong() -> None:
    now = datetime.datetime(2001, 1, 1, tzinfo=datetime.UTC)
    assert doctor_looks.clock(replace(doctor.this_computer(), now=now)).good is False


def test_a_forbidden_port_is_told_with_the_mending(monkeypatch: pytest.MonkeyPatch) -> None:
    port = PortInfo("/dev/ttyUSB0", "adapter", permitted=False, group="dialout")
    monkeypatch.setattr("busprobe.link.ports.list_ports", lambda: (port,))
    looks = doctor._ports(doctor.this_computer())
    bad = [look for look in looks if look.good is False]
    assert any("dialout" in look.mend for look in bad)


def test_a_missing_simulator_is_told() -> None:
    def missing() -> object:
        raise InputError("It is missing.", "Install it.")

    look = doctor._simulator(missing)
    assert look.good is False
    assert look.mend == "Install it."


def test_words_are_printed_for_people() -> None:
    result = run()
    assert "clock" in result.stdout
    assert "Python" in result.stdout
