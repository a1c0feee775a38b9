"""One device whose answers always lack their start or their end is not called two."""

from __future__ import annotations

from collections import Counter

import pytest

from busprobe.diagnosis.duplicate.cut import ADAPTER_AT_MOST_NS, as_if_cut
from busprobe.diagnosis.duplicate.observe import Kind, Observation
from busprobe.diagnosis.duplicate.questions import Question, questions
from busprobe.diagnosis.duplicate.serials import frame_of
from busprobe.procedures.check_duplicate import check_duplicate
from busprobe_sim.ports.virtual import run_virtual
from tests.diagnosis.line_health.faulty_lines import draw


@pytest.mark.parametrize("fault", ["driver-late", "last-byte-lost"])
def test_cut_answers_of_one_device(fault: str) -> None:
    # The adapter drives on into the answer, or the device lets go of the line too soon.
    verdicts: Counter[str] = Counter()
    for seed in range(300, 308):
        drawn = draw(seed, fault)
        verdict = run_virtual(check_duplicate(drawn.build(seed), drawn.stations[0].address))
        verdicts[verdict.verdict] += 1
    assert verdicts["duplicate"] == 0
    assert verdicts["single"] + verdicts["undecided"] == 8


def test_two_devices_among_other_damage_are_still_two() -> None:
    found = 0
    for seed in range(300, 308):
        drawn = draw(seed, "duplicate-address")
        verdict = run_virtual(check_duplicate(drawn.build(seed), drawn.stations[0].address))
        found += verdict.verdict == "duplicate"
    assert found >= 7


SERIAL = next(q for q in questions(40000, 3, 40070) if q.serial)
LIVE = next(q for q in questions(40000, 3, 40070) if not q.fixed)
WHOLE = frame_of(1, 3, b"TF30-118204".ljust(32, b"\x00"))


def garbled(question: Question, heard: bytes, size: int = 37) -> tuple[Question, Observation]:
    """An answer of which none was whole."""
    return question, Observation(Kind.GARBLED, size, (), heard, b"", None, (), 1)


def test_an_adapter_that_drives_on_is_known_by_the_ends_of_a_whole_answer() -> None:
    # More of the start is destroyed than the CRC can replace, another way each time; readings
    # change, so that nothing is known of their ends. At a faster rate the adapter is done sooner,
    # and one answer was whole.
    taken = [garbled(SERIAL, bytes((0x40, 0x20, n)) + WHOLE[8:]) for n in range(3)]
    taken += [garbled(LIVE, bytes((0x40, 0x20, 7 * n, 31, n)) * 7, 35) for n in range(3)]
    clean = Observation(Kind.CLEAN, 37, (WHOLE[2:-2],), b"", b"", None, (4_000_000,), 9)
    early = ADAPTER_AT_MOST_NS // 2
    assert as_if_cut([*taken, (SERIAL, clean)], 1, 3, early)
    # Later than an adapter drives on it is something else,
    assert not as_if_cut([*taken, (SERIAL, clean)], 1, 3, 2 * ADAPTER_AT_MOST_NS)
    # and so it is where the ends are others.
    others = [garbled(SERIAL, bytes((0x40, 0x20, n)) * 12) for n in range(3)]
    assert not as_if_cut([*others, (SERIAL, clean)], 1, 3, early)
