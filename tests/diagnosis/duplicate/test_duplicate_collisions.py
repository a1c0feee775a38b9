"""A known answer that meets itself, on the simulated line as outside model."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.diagnosis.duplicate.collisions import is_collision, possible_collisions
from busprobe.diagnosis.duplicate.observe import Kind, observe
from busprobe.diagnosis.duplicate.serials import frame_of
from busprobe.wire import pdu
from busprobe_sim.ports.virtual import run_virtual
from simulated_buses import MS, Registers, simulated_bus, station

MARK = frame_of(1, 3, b"SunS")


class Marked(Registers):
    """A device of which only the SunSpec mark is asked."""

    def respond(self, request: bytes, now_ns: int) -> bytes | None:
        """The mark, whatever is asked."""
        return b"\x03\x04SunS"


def collided(bits: float) -> tuple[Kind, bytes]:
    """What a port hears of two equal devices side by side, so many bits apart."""
    one = station(1)
    other = station(1, turnaround_ms=20.0 + bits / 9.6)
    bus = simulated_bus(
        one,
        replace(other, node=replace(other.node, position_m=10.5)),
        servers={0: Marked(), 1: Marked()},
    )
    request = pdu.read_registers(3, 40000, 2)
    seen = observe(run_virtual(bus.exchange(1, request, listen_ns=200 * MS)))
    return seen.kind, seen.head


def test_what_the_simulated_line_makes_of_equal_drivers_is_expected() -> None:
    tried = known = 0
    for step in range(2, 60):
        kind, heard = collided(0.25 + step / 2)
        if kind in (Kind.GARBLED, Kind.BROKEN, Kind.LONG, Kind.SHRUNK):
            tried += 1
            known += is_collision(heard, MARK)
    assert tried > 30
    assert known >= 0.8 * tried


@settings(max_examples=60, deadline=None)
@given(st.binary(min_size=7, max_size=14))
def test_random_bytes_are_no_collision(heard: bytes) -> None:
    if heard not in possible_collisions(MARK):
        assert not is_collision(heard, MARK)


@given(st.integers(0, 8), st.integers(1, 255), st.integers(0, 8), st.integers(1, 255))
def test_damage_in_one_or_two_bytes_is_no_collision(
    place: int, change: int, other_place: int, other_change: int
) -> None:
    heard = bytearray(MARK)
    heard[place] ^= change
    heard[other_place] ^= other_change
    assert not is_collision(bytes(heard), MARK)


def test_the_whole_answer_is_no_collision() -> None:
    assert not is_collision(MARK, MARK)
