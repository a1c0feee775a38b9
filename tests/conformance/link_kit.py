"""What every link must do, whatever it is made of: the promises of `busprobe.link.base`.

Each rule is a coroutine that gets a fresh link and the far end of it. `check_link` runs them all;
a test module parametrises over `RULES` to have each of them reported by name.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import pytest

from busprobe.link.base import Framing, Link
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.errors import LinkError
from busprobe.model.line import LineSettings
from tests.conformance.far_ends import PATIENCE_S, FarEnd, MakePair

S = 1_000_000_000
MS = 1_000_000
PATIENCE_NS = int(PATIENCE_S * S)
EVERY_BYTE = bytes(range(256))

Rule = Callable[[Link, FarEnd], Awaitable[None]]


async def heard(link: Link, count: int) -> list[Chunk]:
    """Wait until so many bytes were received."""
    chunks: list[Chunk] = []
    until = link.now() + PATIENCE_NS
    while sum(len(chunk.data) for chunk in chunks) < count:
        chunk = await link.receive(until)
        assert chunk is not None, f"only {chunks} of {count} bytes came"
        chunks.append(chunk)
    return chunks


def joined(chunks: list[Chunk]) -> bytes:
    """All bytes of the chunks."""
    return b"".join(chunk.data for chunk in chunks)


async def keeps_the_contract(link: Link, _: FarEnd) -> None:
    """The attributes are there and make sense."""
    assert isinstance(link, Link)
    assert link.framing in Framing
    assert link.endpoint.argument
    assert type(link.arrival_uncertainty_ns) is int
    assert link.arrival_uncertainty_ns >= 0
    assert link.settings is None or isinstance(link.settings, LineSettings)


async def has_a_monotonic_clock(link: Link, _: FarEnd) -> None:
    """The clock counts whole nanoseconds and never runs back."""
    instants = [link.now() for _ in range(100)]
    assert all(type(instant) is int for instant in instants)
    assert instants == sorted(instants)


async def loses_no_byte_to_us(link: Link, far: FarEnd) -> None:
    """Every byte value arrives, in order, in received chunks that are not empty."""
    await far.write(EVERY_BYTE)
    chunks = await heard(link, len(EVERY_BYTE))
    assert joined(chunks) == EVERY_BYTE
    assert all(chunk.direction is Direction.RECEIVED and chunk.data for chunk in chunks)


async def loses_no_byte_from_us(link: Link, far: FarEnd) -> None:
    """Every byte value leaves, in order, and the chunk tells what was sent."""
    before = link.now()
    first = await link.send(EVERY_BYTE)
    second = await link.send(b"\xff\x00\xff\xff")
    assert await far.read(260) == EVERY_BYTE + b"\xff\x00\xff\xff"
    assert (first.direction, first.data) == (Direction.SENT, EVERY_BYTE)
    assert (second.direction, second.data) == (Direction.SENT, b"\xff\x00\xff\xff")
    assert before <= first.t_ns <= second.t_ns


async def keeps_the_order(link: Link, far: FarEnd) -> None:
    """Pieces of many sizes arrive as one stream, and times never run back."""
    pieces = [bytes([n]) * (n * 7 % 61 + 1) for n in range(60)]
    before = link.now()
    for piece in pieces:
        await far.write(piece)
    wanted = b"".join(pieces)
    chunks = await heard(link, len(wanted))
    assert joined(chunks) == wanted
    times = [before, *(chunk.t_ns for chunk in chunks), link.now()]
    assert times == sorted(times)


async def stamps_with_its_uncertainty(link: Link, far: FarEnd) -> None:
    """A chunk carries the uncertainty of the link, and a time between writing and having it."""
    before = link.now()
    await far.write(b"\x01")
    (chunk,) = await heard(link, 1)
    assert before <= chunk.t_ns <= link.now()
    assert chunk.uncertainty_ns <= link.arrival_uncertainty_ns


async def gives_up_in_time(link: Link, _: FarEnd) -> None:
    """Silence is None, not before the instant asked for has passed."""
    until = link.now() + 3 * MS
    assert await link.receive(until) is None
    assert link.now() >= until


async def gives_nothing_from_after_the_instant(link: Link, far: FarEnd) -> None:
    """An instant that has passed gives no later chunk, and the chunk is kept."""
    past = link.now()
    assert await link.receive(past) is None
    await far.write(b"later")
    for _ in range(20):
        assert await link.receive(past) is None
    assert joined(await heard(link, 5)) == b"later"


async def keeps_what_comes_between_calls(link: Link, far: FarEnd) -> None:
    """What arrives while nobody asks is given to the next who asks."""
    await far.write(b"one")
    (first, *more) = await heard(link, 3)
    await far.write(b"two")
    await link.send(b"ping")
    assert await far.read(4) == b"ping"
    await far.write(b"three")
    chunks = await heard(link, 8)
    assert joined(chunks) == b"twothree"
    assert joined([first, *more]) == b"one"
    assert chunks[0].t_ns >= first.t_ns


async def survives_a_cancelled_wait(link: Link, far: FarEnd) -> None:
    """Whoever stops waiting takes no byte away from the next."""
    waiting = asyncio.ensure_future(link.receive(link.now() + PATIENCE_NS))
    await asyncio.wait([waiting], timeout=0)
    waiting.cancel()
    await asyncio.wait([waiting])
    await far.write(b"kept")
    # A link in virtual time has not waited: it has heard nothing and let the time pass.
    assert waiting.cancelled() or waiting.result() is None
    assert joined(await heard(link, 4)) == b"kept"


async def changes_its_settings_or_says_no(link: Link, far: FarEnd) -> None:
    """Settings are in force after `configure`, or a `LinkError` tells what to do instead."""
    wanted = LineSettings(19200)
    if link.settings is None:
        with pytest.raises(LinkError) as refusal:
            await link.configure(wanted)
        assert refusal.value.next_step
    else:
        await link.configure(wanted)
        assert link.settings == wanted
    await far.write(b"still here")
    assert joined(await heard(link, 10)) == b"still here"


async def closes_twice(link: Link, _: FarEnd) -> None:
    """Closing again does nothing; everything else raises."""
    await link.close()
    await link.close()
    with pytest.raises(LinkError) as refusal:
        await link.send(b"\x01")
    assert refusal.value.cause
    assert refusal.value.next_step
    with pytest.raises(LinkError):
        await link.receive(link.now() + S)
    with pytest.raises(LinkError):
        await link.configure(LineSettings())


async def wakes_who_waits_when_it_is_closed(link: Link, _: FarEnd) -> None:
    """Closing ends a wait at once."""
    waiting = asyncio.ensure_future(link.receive(link.now() + PATIENCE_NS))
    await asyncio.wait([waiting], timeout=0)
    await link.close()
    with pytest.raises(LinkError):
        await waiting


async def tells_when_the_far_end_is_gone(link: Link, far: FarEnd) -> None:
    """A lost peer raises, from receiving and from sending, and closing still works."""
    await far.write(b"bye")
    assert joined(await heard(link, 3)) == b"bye"
    await far.vanish()
    with pytest.raises(LinkError) as loss:
        await link.receive(link.now() + PATIENCE_NS)
    assert loss.value.cause
    assert loss.value.next_step
    with pytest.raises(LinkError):
        await link.send(b"\x01")
    with pytest.raises(LinkError):
        await link.receive(link.now() + PATIENCE_NS)
    await link.close()


RULES: tuple[Rule, ...] = (
    keeps_the_contract,
    has_a_monotonic_clock,
    loses_no_byte_to_us,
    loses_no_byte_from_us,
    keeps_the_order,
    stamps_with_its_uncertainty,
    gives_up_in_time,
    gives_nothing_from_after_the_instant,
    keeps_what_comes_between_calls,
    survives_a_cancelled_wait,
    changes_its_settings_or_says_no,
    closes_twice,
    wakes_who_waits_when_it_is_closed,
    tells_when_the_far_end_is_gone,
)


async def check_rule(make_pair: MakePair, rule: Rule) -> None:
    """Run one rule on a fresh link."""
    link, far = await make_pair()
    try:
        await rule(link, far)
    finally:
        await link.close()
        await far.close()


async def check_link(make_pair: MakePair, *, without: tuple[Rule, ...] = ()) -> None:
    """Run all rules, each on a fresh link.

    Args:
        make_pair: Makes a link and its far end.
        without: Rules that make no sense for this kind of link (a scenario cannot be pulled out).
    """
    for rule in RULES:
        if rule not in without:
            await check_rule(make_pair, rule)
