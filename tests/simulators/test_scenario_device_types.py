"""The simulated device types and the shipped device profiles speak of the same devices."""

from __future__ import annotations

import pytest

from busprobe.profiles.load import load_profile
from busprobe.profiles.schema import DeviceProfile
from busprobe.resources import profile_folder
from busprobe_sim.scenario.device_types import DEVICE_TYPES
from busprobe_sim.scenario.schema_device import DevicePart


def _device(name: str) -> DevicePart:
    return DevicePart.model_validate({"type": name, "name": "d", "address": 1})


def _profile(name: str) -> DeviceProfile:
    return load_profile(profile_folder() / f"{name}.yaml")


@pytest.mark.parametrize("name", ["trollfen-tf30", "nixenfurt-nf3f"])
def test_setting_registers_are_those_of_the_profile(name: str) -> None:
    profile, device = _profile(name), _device(name)
    theirs, ours = profile.settings, device.firmware.settings
    assert theirs is not None
    assert theirs.address is not None
    assert theirs.baud is not None
    assert ours is not None
    assert ours.address_register == theirs.address.register_
    assert ours.baud_register == theirs.baud.register_
    assert ours.baud_codes == theirs.baud.codes
    assert theirs.write_function in device.firmware.functions
    for key, steps in ((ours.unlock, theirs.unlock), (ours.save, theirs.save)):
        expected = [] if key is None else [(key.register_, key.value)]
        assert [(step.register_, step.value) for step in steps] == expected
    assert (profile.maker, profile.model) == (device.maker, device.model)


def test_registers_without_sunspec_are_those_of_the_profile() -> None:
    profile, device = _profile("elfmoor-ef63"), _device("elfmoor-ef63")
    theirs = {(r.quantity, r.address, r.type, r.scale) for r in profile.registers}
    ours = {(r.quantity, r.address, r.type, r.step) for r in device.registers}
    assert ours == theirs
    assert profile.function in device.firmware.functions
    assert profile.reads.most_registers == device.firmware.read_limit


@pytest.mark.parametrize("name", sorted(DEVICE_TYPES))
def test_what_a_scenario_says_goes_before_the_type(name: str) -> None:
    given = {"type": name, "name": "d", "address": 1, "version": "9", "timing": {"loop_ms": 7.0}}
    device = DevicePart.model_validate(given)
    assert device.version == "9"
    assert device.timing.loop_ms == 7.0
    assert device.timing.turnaround_ms == DEVICE_TYPES[name]["timing"]["turnaround_ms"]


def test_unknown_type_is_refused() -> None:
    with pytest.raises(ValueError, match="type must be one of"):
        _device("no-such-meter")
