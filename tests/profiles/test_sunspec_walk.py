"""The walk along the chain of models, on published dumps and on devices that misbehave."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sunspec_images import answer, common_model, device, hex_dump, typed_dump, walk

from busprobe.model.device import ModelBlock
from busprobe.profiles.sunspec import (
    MOST_MODELS,
    AnomalyKind,
    ReadFailure,
    RegisterRead,
    SunSpecWalk,
)


def model(model_id: int, length: int, fill: int = 0x1234) -> list[int]:
    return [model_id, length, *[fill] * length]


def kinds(result: object) -> list[AnomalyKind]:
    return [anomaly.kind for anomaly in result.anomalies]  # type: ignore[attr-defined]


def test_published_dump_with_every_type() -> None:
    # pysunspec 2.1.1, mbmap_test_device_1_processed.xml: 262 registers from 40000.
    image = hex_dump("mbmap_test_device_1_processed.xml")
    assert len(image) == 262
    result, reads = walk(image)
    assert result.map is not None
    assert result.map.base == 40000
    assert result.map.models == (ModelBlock(1, 40002, 66), ModelBlock(63001, 40070, 188))
    assert result.anomalies == ()
    assert result.complete
    assert reads[0] == RegisterRead(3, 40000, 2, "SunSpec marker")
    assert [r.address for r in reads] == [40000, 40002, 40070, 40260]


@pytest.mark.parametrize(
    ("name", "models"),
    [
        # pysunspec 2.1.1, the annotated maps; the lengths are those written in the files.
        ("mbmap_test_device_2.xml", [(1, 65)]),
        ("mbmap_test_inverter_1.xml", [(1, 66), (103, 50)]),
    ],
)
def test_published_maps(name: str, models: list[tuple[int, int]]) -> None:
    result, _ = walk(typed_dump(name))
    assert result.map is not None
    assert [(m.model_id, m.length) for m in result.map.models] == models
    assert result.anomalies == ()


def test_all_bases_are_tried_and_none_is_no_map() -> None:
    result, reads = walk({})
    assert [r.address for r in reads] == [40000, 0, 50000]
    assert result.map is None
    assert result.anomalies == ()
    assert result.complete


def test_silence_at_a_base_is_no_verdict() -> None:
    result, _ = walk({}, lambda read: ReadFailure())
    assert result.map is None
    assert kinds(result) == [AnomalyKind.UNANSWERED] * 3


@pytest.mark.parametrize("base", [0, 40000, 50000])
@pytest.mark.parametrize("length", [65, 66])
def test_both_lengths_of_the_common_model(base: int, length: int) -> None:
    result, _ = walk(device(common_model(length), model(203, 105), base=base))
    assert result.map is not None
    assert result.map.models == (
        ModelBlock(1, base + 2, length),
        ModelBlock(203, base + 4 + length, 105),
    )
    assert result.anomalies == ()


def test_marker_with_swapped_words_is_told() -> None:
    image = {40000 + i: r for i, r in enumerate((0x6E53, 0x5375, 1, 66))}
    result, _ = walk(image)
    assert result.map is None
    assert kinds(result) == [AnomalyKind.SWAPPED_MARKER]
    assert result.anomalies[0].raw == (0x6E53, 0x5375)


def test_end_model_that_answers_one_register_only() -> None:
    # pysunspec2 reads ID and length apart "due to some devices not supplying count for the end".
    image = device(common_model(), model(203, 105), end=(0xFFFF,))
    result, reads = walk(image)
    assert result.map is not None
    assert len(result.map.models) == 2
    assert result.anomalies == ()
    assert reads[-1].quantity == 1


@pytest.mark.parametrize("end", [(0, 0), (), (0,)])
def test_irregular_ends_are_told(end: tuple[int, ...]) -> None:
    # Public issue sunspec/models 44: chains that end in 0x0000 or with exception 02.
    result, _ = walk(device(common_model(), model(203, 105), end=end))
    assert result.map is not None
    assert len(result.map.models) == 2
    assert kinds(result) == [AnomalyKind.IRREGULAR_END]
    assert result.complete


def test_silence_inside_the_chain_is_a_broken_chain() -> None:
    image = device(common_model(), model(203, 105))

    def respond(read: RegisterRead) -> tuple[int, ...] | ReadFailure:
        return ReadFailure() if read.address > 40070 else answer(image, read)

    result, _ = walk(image, respond)
    assert kinds(result) == [AnomalyKind.BROKEN_CHAIN]
    assert not result.complete


@pytest.mark.parametrize("stated", [104, 106, 103, 107])
def test_meter_that_states_a_wrong_length_is_put_right(stated: int) -> None:
    body = model(203, 105, fill=0)
    body[1] = stated
    result, _ = walk(device(common_model(), body))
    assert result.map is not None
    assert result.map.models[-1] == ModelBlock(203, 40070, 105)
    assert kinds(result) == [AnomalyKind.LENGTH_MISMATCH]
    assert result.anomalies[0].raw == (203, stated)
    assert "would be 105" in result.anomalies[0].text
    assert result.complete


@pytest.mark.parametrize("stated", [64, 67, 68])
@pytest.mark.parametrize("real", [65, 66])
def test_common_model_that_states_a_wrong_length_is_put_right(stated: int, real: int) -> None:
    common = common_model(real)
    common[1] = stated
    meter = model(203, 105)
    result, _ = walk(device(common, meter))
    assert result.map is not None
    assert [(m.model_id, m.length) for m in result.map.models] == [(1, real), (203, 105)]
    assert kinds(result) == [AnomalyKind.LENGTH_MISMATCH]


def test_common_model_with_the_other_legal_length_than_real() -> None:
    # 66 stated, 65 real: the chain lands one register inside the meter, on (105, data).
    common = common_model(65)
    common[1] = 66
    result, _ = walk(device(common, model(203, 105, fill=2301)))
    assert result.map is not None
    assert [(m.model_id, m.length) for m in result.map.models] == [(1, 65), (203, 105)]
    assert kinds(result) == [AnomalyKind.LENGTH_MISMATCH]


def test_wrong_length_that_the_chain_follows_is_told_and_kept() -> None:
    result, _ = walk(device(common_model(), model(203, 104), model(160, 48)))
    assert result.map is not None
    assert [m.length for m in result.map.models] == [66, 104, 48]
    assert kinds(result) == [AnomalyKind.LENGTH_MISMATCH]
    assert "published is 105" in result.anomalies[0].text


def test_chain_that_leads_into_data_shows_the_registers() -> None:
    body = model(203, 40, fill=0x3031)
    result, _ = walk(device(common_model(), body, [0x3031] * 65))
    assert result.map is not None
    assert kinds(result) == [AnomalyKind.BROKEN_CHAIN]
    assert "3031 3031" in result.anomalies[0].text
    assert result.anomalies[0].raw == (0x3031,) * 10
    assert not result.complete


def test_end_model_in_the_middle_of_data_is_not_taken_for_the_end() -> None:
    vendor = model(64999, 10)
    vendor[-2:] = [0xFFFF, 0]
    result, _ = walk(device(common_model(), vendor, model(64998, 5), model(203, 105)))
    assert result.map is not None
    assert [m.model_id for m in result.map.models] == [1, 64999, 64998, 203]
    assert kinds(result) == [AnomalyKind.UNPUBLISHED_MODEL] * 2


def test_chain_without_common_model_is_told() -> None:
    result, _ = walk(device(model(203, 105)))
    assert kinds(result) == [AnomalyKind.FIRST_MODEL]


def test_device_whose_addresses_wrap_is_a_loop() -> None:
    ring = [*common_model(), *model(203, 105)]

    def respond(read: RegisterRead) -> tuple[int, ...] | ReadFailure:
        start = read.address - 40000
        if start == 0:
            return (0x5375, 0x6E53)
        return tuple(ring[(start - 2 + i) % len(ring)] for i in range(read.quantity))

    result, reads = walk({}, respond)
    assert result.map is not None
    assert [m.model_id for m in result.map.models] == [1, 203]
    assert kinds(result) == [AnomalyKind.LOOP]
    assert len(reads) < MOST_MODELS + 4


def test_endless_chain_of_different_models_is_stopped() -> None:
    def respond(read: RegisterRead) -> tuple[int, ...] | ReadFailure:
        if read.address == 40000:
            return (0x5375, 0x6E53)
        return tuple([64000 + read.address % 997, 7, *[9] * 20][: read.quantity])

    result, _ = walk({}, respond)
    assert result.map is not None
    assert len(result.map.models) == MOST_MODELS
    assert kinds(result)[-1] == AnomalyKind.TOO_LONG


def test_chain_beyond_the_last_register_is_stopped() -> None:
    image = device(common_model(), base=50000)
    image.update({50070: 64000, 50071: 15464})
    result, reads = walk(image)
    assert AnomalyKind.TOO_LONG in kinds(result)
    assert all(r.address + r.quantity <= 65536 for r in reads)


def test_zero_length_is_no_model() -> None:
    result, _ = walk(device(common_model(), [203, 0], [7] * 30))
    assert kinds(result) == [AnomalyKind.BROKEN_CHAIN]


def test_busy_device_is_asked_again() -> None:
    image = device(common_model(), model(203, 105))
    count = 0

    def every_second(read: RegisterRead) -> tuple[int, ...] | ReadFailure:
        nonlocal count
        count += 1
        return ReadFailure(exception=6) if count % 2 == 0 else answer(image, read)

    result, _ = walk(image, every_second)
    assert result.map is not None
    assert len(result.map.models) == 2
    assert result.anomalies == ()
    always, reads = walk(image, lambda read: ReadFailure(exception=6))
    assert always.map is None
    assert len(reads) == 9


def test_short_answer_counts_as_none() -> None:
    machine = SunSpecWalk()
    machine.take((0x5375,))
    assert machine.result.anomalies[0].kind is AnomalyKind.UNANSWERED


def test_walk_that_is_over_takes_nothing() -> None:
    machine = SunSpecWalk(bases=())
    assert machine.next_read() is None
    with pytest.raises(ValueError, match="over"):
        machine.take((1, 2))


@given(seed=st.integers(0, 2**32), near=st.integers(0, 3))
def test_any_device_is_walked_to_an_end_within_the_rules(seed: int, near: int) -> None:
    chance = random.Random(seed)
    ids = (1, 203, 213, 160, 701, 0, 0xFFFF, 64001, 0x3130)

    def respond(read: RegisterRead) -> tuple[int, ...] | ReadFailure:
        if read.quantity == 2 and read.address in (0, 40000, 50000) and chance.random() < 0.7:
            return (0x5375, 0x6E53)
        roll = chance.random()
        if roll < 0.05:
            return ReadFailure(exception=chance.choice((1, 2, 4, 6, None)))
        if roll < 0.8:
            head = (chance.choice(ids), chance.choice((0, 65, 66, 105, 124, 153, 60000)))
            return (head * 5)[: read.quantity]
        return tuple(chance.randrange(65536) for _ in range(read.quantity + (near == 0)))

    result, reads = walk({}, respond)
    for read in reads:
        assert read.function == 3
        assert 1 <= read.quantity <= 125
        assert read.address >= 0
        assert read.address + read.quantity <= 65536
    if result.map is not None:
        ends = [m.address + 2 + m.length for m in result.map.models]
        starts = [m.address for m in result.map.models]
        assert all(end <= start for end, start in zip(ends, starts[1:], strict=False))
        assert all(end <= 65536 for end in ends)
