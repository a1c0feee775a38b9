"""The conformance kit, run against the link to a simulated line."""

from __future__ import annotations

import pytest

from busprobe.link.base import Link
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import PortParameters
from busprobe_sim.ports.virtual import VirtualLink
from tests.conformance.link_kit import (
    PATIENCE_NS,
    RULES,
    Rule,
    check_rule,
    tells_when_the_far_end_is_gone,
    wakes_who_waits_when_it_is_closed,
)

# Nobody can pull a plug out of a simulated line, and a link in virtual time never waits.
APPLICABLE = tuple(
    rule
    for rule in RULES
    if rule not in (tells_when_the_far_end_is_gone, wakes_who_waits_when_it_is_closed)
)


class LineEnd:
    """A second adapter on the same line; it keeps to the rate of the first."""

    def __init__(self, line: Line, link: VirtualLink) -> None:
        self._port = line.open_port()
        self._line = line
        self._link = link
        self._buffer = bytearray()

    def _pass(self, until_ns: int) -> bool:
        chunk = self._port.next_arrival(until_ns)
        if chunk is not None:
            self._buffer += chunk.data
        return chunk is not None

    async def write(self, data: bytes) -> None:
        """Send, and let the time pass that it takes: the line is half-duplex."""
        if self._port.settings != self._link.settings:
            self._port.configure(self._link.settings)
        settings = self._link.settings
        start = self._port.write(self._line.now_ns, data)
        until = start + settings.duration_ns(len(data) + 4)
        while self._pass(until):
            pass

    async def read(self, count: int) -> bytes:
        until = self._line.now_ns + PATIENCE_NS
        while len(self._buffer) < count:
            assert self._pass(until), f"only {bytes(self._buffer)!r} came"
        data = bytes(self._buffer[:count])
        del self._buffer[:count]
        return data

    async def vanish(self) -> None:
        raise NotImplementedError

    async def close(self) -> None:
        """Nothing to release."""


@pytest.mark.parametrize("latency_ms", [0.0, 16.0])
@pytest.mark.parametrize("rule", APPLICABLE, ids=lambda rule: rule.__name__)
async def test_virtual_link_keeps_its_promises(rule: Rule, latency_ms: float) -> None:
    async def pair() -> tuple[Link, LineEnd]:
        line = Line(seed=1)
        link = VirtualLink(line.open_port(PortParameters(latency_ms=latency_ms)))
        return link, LineEnd(line, link)

    await check_rule(pair, rule)
