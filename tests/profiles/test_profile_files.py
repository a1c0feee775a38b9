"""Profile files: what they may say, every mistake with its place, and the shipped ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from busprobe.model.errors import InputError
from busprobe.model.reading import SignConvention
from busprobe.profiles.load import load_profile, load_profiles
from busprobe.profiles.registers import decode_profile, profile_reads, uniform_profile
from busprobe.profiles.schema import QUANTITY_UNITS, SIZES, DeviceProfile
from busprobe.profiles.yaml_source import load_yaml_model
from busprobe.resources import profile_folder

SHIPPED = load_profiles((profile_folder(),))

GOOD = """\
format: 1
name: test-meter
maker: Zwergau
model: T
match:
  - identity: {maker: Zwergau}
registers:
  - {quantity: V_L1, address: 0, type: uint16, scale: 0.1}
  - {quantity: P, address: 2, type: int32}
"""


def profile(text: str) -> DeviceProfile:
    return load_yaml_model(text, DeviceProfile, name="p.yaml")


def mistakes(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        profile(text)
    return caught.value.cause.splitlines()


def test_good_file() -> None:
    good = profile(GOOD)
    assert [entry.label for entry in good.registers] == ["V_L1", "P"]
    assert good.sign is SignConvention.UNKNOWN
    assert good.settings is None


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("format: 1", "format: 2", "p.yaml:1:9: format: "),
        ("name: test-meter", "name: Test Meter", "p.yaml:2:7: name: "),
        ("maker: Zwergau\nmodel", "makr: Zwergau\nmodel", "p.yaml:3:1: makr: is not a key"),
        ("address: 0,", "address: 70000,", "p.yaml:8:31: registers.0.address: "),
        ("type: uint16", "type: float16", "p.yaml:8:40: registers.0.type: "),
        ("quantity: V_L1", "quantity: V_L9", "p.yaml:8:5: registers.0: 'V_L9' is no quantity"),
        ("scale: 0.1", "scale: 0", "p.yaml:8:5: registers.0: a scale of 0"),
        ("scale: 0.1", "scale: .inf", "p.yaml:8:55: registers.0.scale: must be a finite number"),
        ("scale: 0.1", "unit: kV", "p.yaml:8:5: registers.0: V_L1 is in V: put the factor"),
        ("address: 2", "address: 0xFFFF", "p.yaml:9:5: registers.1: reaches beyond"),
        ("{maker: Zwergau}", "{}", "p.yaml:6:15: match.0.identity: give 'maker'"),
        ("  - identity: {maker: Zwergau}\n", "", "p.yaml:5:1: match: must be a list, but nothing"),
        ("quantity: P,", "name: P, quantity: P,", "p.yaml:9:5: registers.1: give either"),
        ("type: int32", "type: string", "p.yaml:9:5: registers.1: a string needs 'registers'"),
    ],
)
def test_mistakes_are_told_with_their_place(old: str, new: str, line: str) -> None:
    assert old in GOOD
    told = mistakes(GOOD.replace(old, new))
    assert any(text.startswith(line) for text in told), told


def test_values_that_reach_into_each_other_are_told_together_with_the_rest() -> None:
    text = GOOD.replace("address: 2", "address: 0").replace("quantity: P,", "quantity: V_L3,")
    (told,) = mistakes(text.replace("model: T", "model: T\nphases: 1"))
    assert "reaches into V_L1 at 0" in told or "reaches into V_L3 at 0" in told
    assert "V_L3 is of a phase beyond the 1" in told


@pytest.mark.parametrize(
    ("settings", "part"),
    [
        ("{}", "give 'address'"),
        ("{address: {register: 1, lowest: 0}}", "settings.address.lowest"),
        ("{address: {register: 1, highest: 248}}", "settings.address.highest"),
        ("{address: {register: 1, lowest: 9, highest: 3}}", "'lowest' is above"),
        ("{address: {register: 1}, takes_effect: after-save}", "'after-save' needs 'save'"),
        ("{baud: {register: 1, codes: {1: 9}}}", "settings.baud.codes.1"),
        ("{parity: {register: 1, codes: {1: M}}}", "settings.parity.codes.1"),
        (
            "{address: {register: 1}, unlock: [{register: 3}]}",
            "settings.unlock.0.value: is missing",
        ),
    ],
)
def test_mistakes_in_settings(settings: str, part: str) -> None:
    told = mistakes(GOOD + f"settings: {settings}\n")
    assert any(part in text for text in told), told


def test_sunspec_profile_needs_settings_and_no_registers() -> None:
    assert "needs no 'registers'" in mistakes(GOOD + "sunspec: true\n")[0]
    head = GOOD.split("registers:")[0]
    assert "needs 'settings'" in mistakes(head + "sunspec: true\n")[0]
    assert "give 'registers'" in mistakes(head)[0]


def test_mistakes_of_several_files_and_double_names_are_told_at_once(tmp_path: Path) -> None:
    (tmp_path / "a.yaml").write_text(GOOD)
    (tmp_path / "b.yaml").write_text(GOOD)
    (tmp_path / "c.yaml").write_text(GOOD.replace("format: 1", "format: 7"))
    (tmp_path / "d.yaml").write_text("format: [")
    (tmp_path / "e.txt").write_text("no profile")
    with pytest.raises(InputError) as caught:
        load_profiles((tmp_path,))
    told = caught.value.cause.splitlines()
    assert len(told) == 3
    assert "b.yaml: the name test-meter is taken" in told[0]
    assert "c.yaml:1:9" in told[1]
    assert "d.yaml:" in told[2]


def test_shipped_profiles_load_and_are_named_like_their_files() -> None:
    assert len(SHIPPED) >= 5
    for shipped in SHIPPED:
        assert (profile_folder() / f"{shipped.name}.yaml").is_file()
    assert load_profile(profile_folder() / "unkenau-uk300.yaml") in SHIPPED


def test_shipped_profiles_show_the_variety() -> None:
    measuring = [p for p in SHIPPED if not p.sunspec]
    assert {p.function for p in measuring} == {3, 4}
    assert {"ABCD", "CDAB"} <= {p.order for p in measuring}
    assert {1, 3} <= {p.phases for p in measuring}
    assert any(p.sunspec and p.settings for p in SHIPPED)


@pytest.mark.parametrize("shipped", [p for p in SHIPPED if not p.sunspec], ids=lambda p: p.name)
def test_shipped_profiles_read_within_their_limits_and_decode(shipped: DeviceProfile) -> None:
    reads = profile_reads(shipped)
    assert all(r.quantity <= shipped.reads.most_registers for r in reads)
    assert all(r.function == shipped.function for r in reads)
    image = {a: 0x0102 for r in reads for a in range(r.address, r.address + r.quantity)}
    readings = decode_profile(shipped, image)
    assert {e.label for e in shipped.registers} <= {r.name for r in readings}
    found = uniform_profile(shipped, readings)
    assert set(found.quantities) | set(found.suspect) == {
        e.quantity for e in shipped.registers if e.quantity
    }
    assert found.phases == shipped.phases


def test_readme_names_every_shipped_file_and_quantity() -> None:
    text = (profile_folder() / "README.md").read_text(encoding="utf-8")
    for shipped in SHIPPED:
        assert f"`{shipped.name}.yaml`" in text
    for kind in (*SIZES, "string"):
        assert kind in text
    for stem in {name.split("_L")[0] for name in QUANTITY_UNITS}:
        assert f"`{stem}" in text, stem
