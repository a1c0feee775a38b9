"""What a step is charged for: the bus time from its start to its end, and nothing else."""

from __future__ import annotations

import asyncio
import threading

import pytest

from busprobe.launch import link_opener
from busprobe.link.base import Link
from busprobe.model.line import Endpoint, LineSettings
from busprobe.session import events
from busprobe.session.events import Event
from busprobe.session.ports import OpenedLink
from busprobe.session.session import Session
from busprobe.session.stint import Stint

THOUGHT_S = 300.0


def test_thinking_between_steps_belongs_to_none_and_shortens_no_wait() -> None:
    """The clock of the link runs on while the technician thinks; that of the bus does not."""
    links: list[Link] = []
    open_virtual = link_opener(pace="virtual")

    async def opening(endpoint: Endpoint, settings: LineSettings | None) -> OpenedLink:
        opened = await open_virtual(endpoint, settings)
        links.append(opened.link)
        return opened

    stints: list[Stint] = []
    listened: list[str] = []
    over = threading.Semaphore(0)

    def note(stint: Stint) -> None:
        stints.append(stint)
        over.release()

    session = Session(opening)
    session.oversee(note)
    opened = threading.Event()

    def hear(event: Event) -> None:
        if isinstance(event, events.LinkOpened):
            opened.set()
        if isinstance(event, events.StepFinished) and event.step is events.Step.LINK:
            listened.append(event.summary)

    session.subscribe(hear)
    try:
        session.open("sim:healthy", LineSettings())
        assert opened.wait(60.0)
        for _ in range(2):
            session.check_addresses((1,))
            assert over.acquire(timeout=60.0)
            assert session.working_s == 0.0
            (link,) = links
            asyncio.run(_think(link))
        session.listen(10.0)
        assert over.acquire(timeout=60.0)
    finally:
        session.close()

    assert listened == ["Not a byte was heard in 10 s."]
    assert stints[2].end_ns - stints[2].start_ns == pytest.approx(10e9, abs=1e9)
    first, second = ((s.end_ns - s.start_ns) / 1e9 for s in stints[:2])
    assert second == pytest.approx(first, abs=5.0)
    assert second < THOUGHT_S / 10
    # The first request of a step comes soon after its start: a pause before is no listening.
    asked_ns = stints[1].exchanges[0].request.t_start_ns
    assert 0 <= asked_ns - stints[1].start_ns < 5e9


async def _think(link: Link) -> None:
    """Let the link's clock run on, unheard by the bus."""
    until_ns = link.now() + round(THOUGHT_S * 1e9)
    while link.now() < until_ns:
        await link.receive(until_ns)
