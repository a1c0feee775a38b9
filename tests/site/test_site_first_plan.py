"""The first plan: what was found, nothing else, and a file that the program takes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from verifying import plan_of

from busprobe.model.device import Device, Identity, ModelBlock, SunSpecMap, TurnAround
from busprobe.model.device_text import device_text
from busprobe.model.line import LineSettings, Parity, parse_link
from busprobe.site.first_plan import Scanned, first_plan
from busprobe.site.plan import load_plan

HOME = LineSettings()
BUS = parse_link("/dev/ttyUSB0")


def device(address: int, model_id: int, **more: object) -> Device:
    blocks = (ModelBlock(1, 40002, 66), ModelBlock(model_id, 40070, 105))
    made = Device(
        address,
        Identity("Trollfen", "TF 30", "1.0", f"S-{address}", "sunspec"),
        SunSpecMap(40000, blocks),
        turnaround=TurnAround(24.9, 26.0),
        duplicate="single",
        phases=3,
    )
    return replace(made, **more)  # type: ignore[arg-type]


def text_of(*found: Scanned, link: str = "/dev/ttyUSB0", home: LineSettings | None = HOME) -> str:
    return first_plan(parse_link(link), home, found, "2026-01-02 10:00")


def test_meters_inverter_and_others_go_where_their_maps_say() -> None:
    other = Device(20, Identity("Unkenau", "Relay", source="device-identification"))
    text = text_of(
        Scanned(device(1, 203), HOME),
        Scanned(device(2, 201), HOME),
        Scanned(device(10, 103), HOME),
        Scanned(other, HOME),
    )
    plan = plan_of(text)
    assert [(m.address, m.system, m.serial) for m in plan.meters] == [
        (1, "3p4w", "S-1"),
        (2, "1p", "S-2"),
    ]
    assert plan.inverter is not None
    assert (plan.inverter.address, plan.inverter.turnaround_ms) == (10, 24.9)
    assert [(d.address, d.maker) for d in plan.others] == [(20, "Unkenau")]


def test_nothing_is_invented() -> None:
    plan = plan_of(text_of(Scanned(device(1, 203), HOME), Scanned(device(10, 103), HOME)))
    (meter,) = plan.meters
    assert meter.role is None
    assert meter.feeds is None
    assert meter.ct is None
    assert meter.fuse_a is None
    assert meter.positive is None
    assert plan.inverter is not None
    assert plan.inverter.rating_kw is None
    assert plan.battery is None
    assert plan.generators == ()
    assert plan.limits.export_kw is None


def test_two_inverters_are_not_told_apart() -> None:
    text = text_of(Scanned(device(10, 103), HOME), Scanned(device(11, 113), HOME))
    plan = plan_of(text)
    assert plan.inverter is None
    assert [d.address for d in plan.others] == [10, 11]
    assert "hybrid inverter they do not say" in text


def test_a_shared_address_names_the_next_free_one() -> None:
    twice = Scanned(device(1, 203, duplicate="duplicate"), HOME, ("S-1", "S-9"))
    text = text_of(twice, Scanned(device(2, 203), HOME))
    assert "S-1, S-9" in text
    assert "address 3, the next free one" in text
    # Whose serial number it is cannot be said.
    assert plan_of(text).meters[0].serial == ""


def test_other_settings_are_told() -> None:
    odd = LineSettings(19200, Parity.EVEN, 1)
    text = text_of(Scanned(device(1, 203), HOME), Scanned(device(2, 203), odd))
    assert "It answers at 19200 8E1" in text


def test_a_host_has_no_line_settings() -> None:
    text = text_of(Scanned(device(255, 203), None), link="tcp://10.0.0.9", home=None)
    plan = plan_of(text)
    assert plan.links[0].settings is None
    assert plan.meters[0].address == 255


def test_a_bus_without_anybody_gives_a_plan_too(tmp_path: Path) -> None:
    file = tmp_path / "plan.yaml"
    file.write_text(text_of(), encoding="utf-8")
    assert load_plan(file).plan.devices == ()


def test_what_stands_there_as_a_comment_is_right() -> None:
    text = text_of(Scanned(device(1, 203), HOME), Scanned(device(2, 203), HOME))
    text = text.replace("    # role: grid          # grid", "    role: grid   # grid", 1)
    uncommented = []
    for line in text.splitlines():
        bare = line.lstrip()
        keys = (
            "# ct:",
            "# fuse_a:",
            "# length_m:",
            "# termination:",
            "# bias:",
            "# battery:",
            "# limits:",
        )
        if bare.startswith(keys):
            line = line.replace("# ", "", 1)
        uncommented.append(line)
    plan = plan_of("\n".join(uncommented))
    assert plan.meters[0].ct is not None
    assert plan.meters[1].fuse_a == 63
    assert plan.links[0].termination == "both ends"
    assert plan.battery is not None
    assert plan.limits.charge_kw == 5


@given(maker=st.binary(max_size=32), model=st.binary(max_size=32), serial=st.binary(max_size=32))
def test_whatever_a_device_calls_itself_stays_text(
    maker: bytes, model: bytes, serial: bytes
) -> None:
    identity = Identity(device_text(maker), device_text(model), "", device_text(serial), "sunspec")
    plan = plan_of(text_of(Scanned(device(1, 203, identity=identity), HOME)))
    (meter,) = plan.meters
    assert (meter.maker, meter.model, meter.serial) == (
        identity.maker,
        identity.model,
        identity.serial,
    )


@pytest.mark.parametrize("text", ["a: b", "- x", "#", "no", "1.0", "{}", "'", '"', "\\", "&a *b"])
def test_text_that_looks_like_yaml_stays_text(text: str) -> None:
    identity = Identity(text, text, "", text, "sunspec")
    (meter,) = plan_of(text_of(Scanned(device(1, 203, identity=identity), HOME))).meters
    assert (meter.maker, meter.model, meter.serial) == (text, text, text)
