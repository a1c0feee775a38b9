"""Which profile fits, and why the others do not."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from busprobe.model.device import Identity
from busprobe.profiles.load import load_profiles
from busprobe.profiles.match import MatchReport, ProfileMatcher, settings_profile
from busprobe.profiles.reads import ReadFailure, RegisterRead
from busprobe.profiles.schema import DeviceProfile
from busprobe.profiles.yaml_source import load_yaml_model
from busprobe.resources import profile_folder

SHIPPED = load_profiles((profile_folder(),))
NOBODY = Identity()


def run(
    identity: Identity,
    image: Mapping[int, int] | None = None,
    profiles: tuple[DeviceProfile, ...] = SHIPPED,
) -> tuple[MatchReport, list[RegisterRead]]:
    matcher = ProfileMatcher(profiles, identity)
    reads = []
    while (read := matcher.next_read()) is not None:
        reads.append(read)
        assert len(reads) < 50
        places = range(read.address, read.address + read.quantity)
        known = image or {}
        if all(place in known for place in places):
            matcher.take(tuple(known[place] for place in places))
        else:
            matcher.take(ReadFailure(exception=2))
    return matcher.report, reads


def reasons(report: MatchReport) -> dict[str, tuple[str, ...]]:
    return {rejection.profile: rejection.reasons for rejection in report.rejected}


def test_identity_alone_decides_without_a_read() -> None:
    identity = Identity("Elfmoor Messgeraete", "EF-63", "3.1", source="device-identification")
    report, reads = run(identity)
    assert report.best is not None
    assert report.best.name == "elfmoor-ef63"
    assert reads == []
    why = reasons(report)
    assert why["elfmoor-ef1"] == ("model is 'EF-63', not 'EF-1*'",)
    assert why["unkenau-uk300"][0] == "maker is 'Elfmoor Messgeraete', not 'Unkenau*'"
    assert "not tried" in why["zwergau-zg4"][0]


def test_a_type_register_tells_a_device_that_says_nothing() -> None:
    report, reads = run(NOBODY, {0x0500: 0x0B04})
    assert report.best is not None
    assert report.best.name == "zwergau-zg4"
    assert RegisterRead(4, 0x0500, 1, "is it Zwergau ZG 4?") in reads
    why = reasons(report)
    assert why["unkenau-uk300"] == (
        "the device does not say who it is",
        "register 8190: exception 02",
    )


def test_low_word_first_counts_for_probes_too() -> None:
    report, _ = run(NOBODY, {8190: 0x0300, 8191: 0x5457})
    assert report.best is not None
    assert report.best.name == "unkenau-uk300"
    wrong, _ = run(NOBODY, {8190: 0x5457, 8191: 0x0300})
    assert wrong.best is None
    assert any("holds" in reason for reason in reasons(wrong)["unkenau-uk300"])


def test_nothing_fits_and_every_profile_says_why() -> None:
    report, _ = run(Identity("Someone", "Thing", source="server-id"))
    assert report.best is None
    measuring = {p.name for p in SHIPPED if not p.sunspec}
    assert set(reasons(report)) == measuring
    assert all(reasons(report).values())


TEMPLATE = """\
format: 1
name: {name}
maker: M
model: {name}
match: [{rule}]
registers: [{{quantity: P, address: 0, type: int16}}]
"""


def made(name: str, rule: str) -> DeviceProfile:
    return load_yaml_model(TEMPLATE.format(name=name, rule=rule), DeviceProfile)


def test_the_more_particular_profile_goes_first_then_the_one_given_first() -> None:
    broad = made("broad", "{identity: {maker: M}}")
    narrow = made("narrow", "{identity: {maker: M, model: X*}}")
    twin = made("twin", "{identity: {maker: M}}")
    report, _ = run(
        Identity("m", "X9", source="device-identification"), None, (broad, narrow, twin)
    )
    assert [p.name for p in report.fitting] == ["narrow", "broad", "twin"]


@pytest.mark.parametrize(
    ("rule", "value", "fits"),
    [
        ("{address: 9, type: int16, lowest: -5, highest: 5}", 0xFFFC, True),
        ("{address: 9, type: int16, lowest: -5, highest: 5}", 0xFFF0, False),
        ("{address: 9, type: uint16, lowest: 100}", 0xFFF0, True),
        ("{address: 9, type: string, registers: 1, equals: OK}", 0x4F4B, True),
        ("{address: 9, type: string, registers: 1, equals: OK}", 0x4F4F, False),
    ],
)
def test_probe_rules(rule: str, value: int, fits: bool) -> None:
    report, reads = run(NOBODY, {9: value}, (made("a", f"{{probes: [{rule}]}}"),))
    assert (report.best is not None) == fits
    assert len(reads) == 1


def test_no_read_is_made_twice_and_all_probes_of_a_rule_must_hold() -> None:
    one = "{address: 9, type: uint16, equals: 1}"
    two = "{address: 10, type: uint16, equals: 2}"
    profiles = (made("a", f"{{probes: [{one}, {two}]}}"), made("b", f"{{probes: [{one}]}}"))
    report, reads = run(NOBODY, {9: 1, 10: 3}, profiles)
    assert [p.name for p in report.fitting] == ["b"]
    assert len(reads) == 2
    assert reasons(report)["a"] == ("register 10 holds 3, not 2",)


def test_pattern_characters_of_other_languages_mean_themselves() -> None:
    profile = made("a", "{identity: {model: 'X[1].?'}}")
    assert run(Identity("M", "X[1].?", source="sunspec"), None, (profile,))[0].best is profile
    assert run(Identity("M", "X1zz", source="sunspec"), None, (profile,))[0].best is None


def test_answer_without_question_is_refused() -> None:
    matcher = ProfileMatcher((), NOBODY)
    with pytest.raises(ValueError, match="over"):
        matcher.take((1,))


def test_settings_of_a_sunspec_meter_are_found_by_its_identity() -> None:
    found = settings_profile(SHIPPED, Identity("Trollfen", "TF 30", source="sunspec"))
    assert found is not None
    assert found.name == "trollfen-tf30"
    assert settings_profile(SHIPPED, Identity("Trollfen", "TF 99", source="sunspec")) is None
    assert settings_profile(SHIPPED, NOBODY) is None
    used = settings_profile(SHIPPED, NOBODY, used="zwergau-zg4")
    assert used is not None
    assert used.name == "zwergau-zg4"
    assert settings_profile(SHIPPED, NOBODY, used="elfmoor-ef63") is None
