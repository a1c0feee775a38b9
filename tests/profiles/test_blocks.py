"""The fewest legal reads, and no value torn."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.model.device import ModelBlock
from busprobe.profiles.blocks import Span, image_of, model_reads, plan_reads
from busprobe.profiles.reads import RegisterRead


def ranges(reads: tuple[RegisterRead, ...]) -> list[tuple[int, int]]:
    return [(read.address, read.quantity) for read in reads]


def test_float_meter_needs_two_reads_with_its_header_and_one_without() -> None:
    # Model 213: L = 124, 126 registers with the header (published JSON); 125 is the most that one
    # read takes (MODBUS Application Protocol V1.1b3, section 6.3).
    block = ModelBlock(213, 40070, 124)
    assert ranges(model_reads(block)) == [(40072, 124)]
    with_header = model_reads(block, header=True)
    assert len(with_header) == 2
    assert sum(r.quantity for r in with_header) == 126
    # The last value is Evt, two registers at offset 124: a blind split at 125 would tear it.
    assert with_header[1].address != 40070 + 125


def test_integer_meter_is_one_read() -> None:
    assert ranges(model_reads(ModelBlock(203, 40070, 105))) == [(40072, 105)]


def test_der_measurement_keeps_values_with_their_scale_factors() -> None:
    # Model 701: L = 153; W at offset 10, scale factors at 113-122, MnAlrmInfo at 123-154.
    reads = model_reads(ModelBlock(701, 40070, 153))
    assert len(reads) == 2
    first = range(reads[0].address - 40070, reads[0].address - 40070 + reads[0].quantity)
    assert all(offset in first for offset in (10, 12, 17, 18, 41, 112, 113, 122))


def test_device_that_refuses_long_reads() -> None:
    reads = model_reads(ModelBlock(203, 40070, 105), limit=50)
    assert len(reads) == 3
    assert all(read.quantity <= 50 for read in reads)


def test_scale_factor_decides_between_cuts_of_equal_count() -> None:
    # Six values, at most four in a read: only 2 + 4 keeps the pair (2, 5) together.
    spans = [Span(i) for i in range(6)]
    reads = plan_reads(spans, together=[(Span(2), Span(5))], limit=4)
    assert ranges(reads) == [(0, 2), (2, 4)]


def test_holes_are_bridged_only_where_the_device_allows_it() -> None:
    spans = [Span(0, 2), Span(10, 2)]
    assert ranges(plan_reads(spans)) == [(0, 12)]
    assert ranges(plan_reads(spans, bridge=8)) == [(0, 12)]
    assert ranges(plan_reads(spans, bridge=7)) == [(0, 2), (10, 2)]


def test_value_longer_than_a_read_is_cut() -> None:
    assert ranges(plan_reads([Span(5, 16)], limit=10)) == [(5, 10), (15, 6)]


def test_nothing_wanted_is_no_read_and_an_illegal_limit_is_refused() -> None:
    assert plan_reads([]) == ()
    for limit in (0, 126):
        with pytest.raises(ValueError, match="cannot be read at once"):
            plan_reads([Span(0)], limit=limit)


def test_unpublished_model_is_read_raw() -> None:
    assert ranges(model_reads(ModelBlock(64999, 100, 130))) == [(102, 125), (227, 5)]


def test_counts_tell_where_values_behind_the_fixed_part_lie() -> None:
    # Model 705: NPt and NCrv are points; without them nothing is known behind the fixed part.
    block = ModelBlock(705, 0, 60)
    blind = model_reads(block)
    assert sum(read.quantity for read in blind) == 60


def test_image_of_answers() -> None:
    answers = [(RegisterRead(3, 10, 2, ""), (7, 8)), (RegisterRead(3, 20, 2, ""), None)]
    assert image_of(answers) == {10: 7, 11: 8}


@st.composite
def wanted(draw: st.DrawFn) -> tuple[list[Span], int]:
    limit = draw(st.integers(4, 125))
    spans = []
    address = draw(st.integers(0, 50))
    for _ in range(draw(st.integers(1, 40))):
        quantity = draw(st.integers(1, 4))
        spans.append(Span(address, quantity))
        address += quantity + draw(st.sampled_from([0, 0, 0, 1, 5, 40]))
    return spans, limit


def greedy_count(spans: list[Span], limit: int) -> int:
    """From the left, as much as fits: the least number of windows that cover intervals."""
    count, end = 0, -1
    for span in spans:
        if span.end > end:
            count, end = count + 1, span.address + limit
    return count


@given(case=wanted(), data=st.data())
def test_every_value_is_whole_and_no_plan_has_fewer_reads(
    case: tuple[list[Span], int], data: st.DataObject
) -> None:
    spans, limit = case
    chosen = st.sampled_from(spans)
    together = data.draw(st.lists(st.tuples(chosen, chosen), max_size=10))
    reads = plan_reads(spans, together=together, limit=limit)
    assert all(1 <= read.quantity <= limit for read in reads)
    for span in spans:
        assert any(
            read.address <= span.address and span.end <= read.address + read.quantity
            for read in reads
        )
    assert len(reads) == greedy_count(spans, limit)
