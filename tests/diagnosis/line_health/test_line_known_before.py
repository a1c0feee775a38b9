"""What a test for two devices said before counts in a line check, as long as the line agrees."""

from __future__ import annotations

from collections.abc import Mapping

from busprobe.diagnosis.line_health import LineTest, Weighed
from busprobe.model.device import Device
from busprobe.procedures.check_line import check_line
from busprobe_sim.ports.virtual import run_virtual
from tests.diagnosis.line_health.faulty_lines import draw

SEED = 101


def stopped_early(*faults: str, shared: Mapping[int, float]) -> tuple[Weighed, int]:
    """A line check that was stopped before it tested anybody for a second device."""
    drawn = draw(SEED, *faults)
    bus = drawn.build(SEED)
    count = [0]

    def note(test: LineTest) -> None:
        count[0] = len(test.samples)

    check = run_virtual(
        check_line(
            bus,
            [Device(a) for a in drawn.addresses],
            on_exchange=note,
            should_stop=lambda: count[0] >= 14 * len(drawn.addresses),
            shared=shared,
        )
    )
    assert check.stopped
    assert check.duplicates == {}
    twice = next((a for code, a in drawn.truth if code == "duplicate-address"), None)
    return check.weighed, twice or drawn.addresses[0]


def test_a_shared_address_explains_the_damage_at_once() -> None:
    unknown, address = stopped_early("duplicate-address", shared={})
    assert 0.1 < unknown.probability("damage-at-address", address) < 0.9
    known, _ = stopped_early("duplicate-address", shared={address: 0.999})
    assert known.probability("duplicate-address", address) > 0.99
    assert known.probability("damage-at-address", address) < 0.02
    # It is tested anew where there is time.
    assert address in known.suspects


def test_what_was_parted_since_is_not_held_against_a_clean_line() -> None:
    clean, address = stopped_early(shared=dict.fromkeys(range(1, 248), 0.999))
    assert clean.bad == 0
    assert clean.probability("duplicate-address", address) == 0.0
