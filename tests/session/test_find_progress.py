"""A search tells one progress, whatever its phases."""

from __future__ import annotations

import queue

from busprobe.launch import link_opener
from busprobe.session import events
from busprobe.session.events import Event, Step
from busprobe.session.session import Session


def test_a_search_counts_up_once_through_all_its_phases() -> None:
    session = Session(link_opener(pace="virtual"))
    heard: queue.Queue[Event] = queue.Queue()
    session.subscribe(heard.put)
    try:
        session.open("sim:both-on-one-address", None)
        session.find()
        told: list[events.StepProgress] = []
        while True:
            event = heard.get(timeout=60.0)
            if isinstance(event, events.StepProgress) and event.step is Step.FIND:
                told.append(event)
            if isinstance(event, events.StepFinished) and event.step is Step.FIND:
                break
    finally:
        session.close()

    shares = [e.done / e.total for e in told]
    assert shares == sorted(shares)
    assert shares[0] == 0.0
    assert 0.95 < shares[-1] <= 1.0
    # Listening, looking for the settings, both rounds and the test for a second device.
    texts = {e.text.split()[0] for e in told}
    assert {"listening,", "asking", "address"} <= texts
    assert any("second round" in e.text for e in told)
    halfway = next(e for e in told if "second round" in e.text)
    assert 0.25 < halfway.done / halfway.total < 0.9
