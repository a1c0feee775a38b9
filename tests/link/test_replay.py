from __future__ import annotations

import pytest

from busprobe.link.base import Framing, Link
from busprobe.link.replay import ReplayLink
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.errors import LinkError
from busprobe.model.line import LineSettings, parse_link

MS = 1_000_000
FAST, SLOW = LineSettings(19200), LineSettings(2400)


def sent(t_ms: int, data: bytes) -> Chunk:
    return Chunk(Direction.SENT, t_ms * MS, data)


def received(t_ms: int, data: bytes) -> Chunk:
    return Chunk(Direction.RECEIVED, t_ms * MS, data, 16 * MS)


def replay(*timeline: Chunk | LineSettings) -> ReplayLink:
    return ReplayLink(parse_link("replay:visit.busprobe"), timeline, Framing.RTU)


VISIT = (
    FAST,
    received(50, b"overheard"),
    sent(100, b"ask 1"),
    received(130, b"first"),
    received(140, b"more"),
    sent(300, b"ask 2"),
    sent(600, b"ask 3"),
    received(620, b"third"),
)


async def test_the_same_questions_give_the_same_answers_at_the_same_times() -> None:
    link = replay(*VISIT)
    assert isinstance(link, Link)
    assert (link.now(), link.settings, link.arrival_uncertainty_ns) == (50 * MS, FAST, 16 * MS)
    assert await link.receive(60 * MS) == VISIT[1]
    assert await link.receive(90 * MS) is None
    assert link.now() == 90 * MS
    assert await link.send(b"ask 1") == VISIT[2]
    assert [await link.receive(200 * MS) for _ in range(3)] == [VISIT[3], VISIT[4], None]
    assert link.now() == 200 * MS
    assert await link.send(b"ask 2") == VISIT[5]
    assert await link.receive(550 * MS) is None
    assert await link.send(b"ask 3") == VISIT[6]
    assert await link.receive(900 * MS) == VISIT[7]
    assert link.finished
    assert link.unmatched == 0


async def test_an_answer_from_after_the_instant_waits() -> None:
    link = replay(*VISIT)
    await link.send(b"ask 1")
    assert await link.receive(110 * MS) is None
    assert link.now() == 110 * MS
    assert await link.receive(130 * MS) == VISIT[3]


async def test_what_was_never_asked_is_silent() -> None:
    link = replay(*VISIT)
    await link.send(b"ask 1")
    chunk = await link.send(b"something else")
    assert (chunk.data, chunk.t_ns) == (b"something else", 100 * MS)
    assert await link.receive(10_000 * MS) is None
    assert link.unmatched == 1


async def test_a_question_can_be_asked_again_and_times_do_not_run_back() -> None:
    link = replay(*VISIT)
    await link.send(b"ask 3")
    assert await link.receive(700 * MS) == VISIT[7]
    again = await link.send(b"ask 1")
    assert again.t_ns == 620 * MS
    answer = await link.receive(10_000 * MS)
    assert answer is not None
    assert (answer.data, answer.t_ns) == (b"first", 650 * MS)


async def test_questions_at_other_settings_are_other_questions() -> None:
    link = replay(
        FAST,
        sent(100, b"ask"),
        received(110, b"rubbish"),
        SLOW,
        sent(500, b"ask"),
        received(550, b"answer"),
    )
    await link.configure(SLOW)
    assert link.settings == SLOW
    await link.send(b"ask")
    chunk = await link.receive(1_000 * MS)
    assert chunk is not None
    assert chunk.data == b"answer"
    await link.configure(FAST)
    await link.send(b"ask")
    chunk = await link.receive(10_000 * MS)
    assert chunk is not None
    assert chunk.data == b"rubbish"


async def test_an_empty_recording_is_a_silent_link() -> None:
    link = replay()
    assert await link.receive(5) is None
    await link.send(b"ask")
    assert await link.receive(50) is None
    assert link.finished


async def test_a_closed_replay_is_closed() -> None:
    link = replay(*VISIT)
    await link.close()
    await link.close()
    with pytest.raises(LinkError):
        await link.send(b"ask 1")
    with pytest.raises(LinkError):
        await link.receive(1)
    with pytest.raises(LinkError):
        await link.configure(FAST)
