"""A link that was lost and is opened again: it is the same visit."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path

from busprobe.launch import link_opener
from busprobe.model.errors import LinkError
from busprobe.model.line import Endpoint, LineSettings
from busprobe.session import events
from busprobe.session.events import Step, StepEnd
from busprobe.session.keeping import begin_recording
from busprobe.session.ports import OpenedLink
from busprobe.session.session import Session
from tests.session.test_session import Heard

_open = link_opener(pace="virtual")


def pulled_when(pulled: Callable[[], bool]):  # type: ignore[no-untyped-def]
    """Opens links whose adapter is gone as soon as somebody says so."""

    async def opening(endpoint: Endpoint, settings: LineSettings | None) -> OpenedLink:
        if pulled():
            raise LinkError("There is no such port.", "Plug the adapter in.")
        opened = await _open(endpoint, settings)
        send = opened.link.send

        async def failing(data: bytes):  # type: ignore[no-untyped-def]
            if pulled():
                raise LinkError("The adapter was pulled.", "Plug it in again.")
            return await send(data)

        opened.link.send = failing  # type: ignore[method-assign]
        return opened

    return opening


def test_what_was_found_before_the_link_was_lost_is_known_after_it(tmp_path: Path) -> None:
    pulled = False
    numbers = itertools.count(1)
    session = Session(
        pulled_when(lambda: pulled),
        lambda link: begin_recording(tmp_path / f"visit-{next(numbers)}.busprobe", link),
    )
    heard = Heard(session)
    try:
        session.open("sim:demo", LineSettings())
        session.check_addresses((1, 2))
        assert heard.end_of(Step.ADDRESSES).end is StepEnd.DONE
        pulled = True
        session.check_addresses((1,))
        heard.until(events.LinkLost)
        # Still not plugged in.
        session.open("sim:demo", LineSettings())
        heard.until(events.LinkLost)
        pulled = False
        heard.all.clear()
        session.open("sim:demo", LineSettings())
        found = heard.until(events.FindingRaised)
        assert isinstance(found, events.FindingRaised)
        assert found.finding.code == "duplicate-address"
        # Exchanges are counted anew: a number would show another one.
        assert all(e.exchange is None for e in found.finding.evidence)
        assert found.finding.evidence[0].text.startswith("before the link was lost: ")
        known = [e.device for e in heard.all if isinstance(e, events.DeviceKnown)]
        assert {d.address: d.duplicate for d in known} == {1: "duplicate", 2: "single"}
        session.write_report()
        written = heard.until(events.ReportWritten)
        assert isinstance(written, events.ReportWritten)
        text = Path(next(f for f in written.files if f.endswith(".json"))).read_text("utf-8")
        assert '"duplicate-address"' in text
        # The report rests on both recordings of the visit.
        assert "visit-1.busprobe" in text
        assert "visit-2.busprobe" in text
        # Another link is another visit.
        session.open("sim:healthy", LineSettings())
        heard.until(events.LinkOpened)
        heard.all.clear()
        session.check_addresses((1,))
        assert heard.end_of(Step.ADDRESSES).end is StepEnd.DONE
        assert not any(isinstance(e, events.FindingRaised) for e in heard.all)
    finally:
        session.close()
