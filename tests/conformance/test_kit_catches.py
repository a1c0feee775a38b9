"""The conformance kit fails for links that break a promise: it is not a check that cannot fail."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from busprobe.link.base import Link
from busprobe.model.chunk import Chunk
from busprobe.model.errors import LinkError
from tests.conformance import link_kit
from tests.conformance.far_ends import SocketEnd, tcp_pair
from tests.conformance.link_kit import Rule, check_rule


class Flawed:
    """A good link with one flaw; everything else is passed on."""

    def __init__(self, link: Link) -> None:
        self._link = link

    def __getattr__(self, name: str) -> Any:
        return getattr(self._link, name)

    def now(self) -> int:
        return self._link.now()

    async def receive(self, until_ns: int) -> Chunk | None:
        return await self._link.receive(until_ns)


class DropsAByte(Flawed):
    async def receive(self, until_ns: int) -> Chunk | None:
        chunk = await self._link.receive(until_ns)
        return chunk and replace(chunk, data=chunk.data.replace(b"\x80", b""))


class StampsLate(Flawed):
    async def receive(self, until_ns: int) -> Chunk | None:
        chunk = await self._link.receive(until_ns)
        return chunk and replace(chunk, t_ns=chunk.t_ns + 10**12)


class RunsBack(Flawed):
    def now(self) -> int:
        return -self._link.now()


class GivesUpEarly(Flawed):
    async def receive(self, until_ns: int) -> Chunk | None:
        return await self._link.receive(min(until_ns, self._link.now()))


class ForgetsBetweenCalls(Flawed):
    async def receive(self, until_ns: int) -> Chunk | None:
        first = await self._link.receive(until_ns)
        while first is not None and await self._link.receive(self._link.now() + 10**7) is not None:
            pass
        return first


class IsPatientWithTheDead(Flawed):
    async def receive(self, until_ns: int) -> Chunk | None:
        try:
            return await self._link.receive(until_ns)
        except LinkError:
            return None


@pytest.mark.parametrize(
    ("flaw", "rule"),
    [
        (DropsAByte, link_kit.loses_no_byte_to_us),
        (StampsLate, link_kit.stamps_with_its_uncertainty),
        (StampsLate, link_kit.keeps_the_order),
        (RunsBack, link_kit.has_a_monotonic_clock),
        (GivesUpEarly, link_kit.gives_up_in_time),
        (ForgetsBetweenCalls, link_kit.keeps_what_comes_between_calls),
        (IsPatientWithTheDead, link_kit.tells_when_the_far_end_is_gone),
        (IsPatientWithTheDead, link_kit.closes_twice),
    ],
)
async def test_a_flawed_link_is_caught(
    flaw: type[Flawed], rule: Rule, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link_kit, "PATIENCE_NS", 100 * link_kit.MS)

    async def pair() -> tuple[Any, SocketEnd]:
        link, far = await tcp_pair()
        return flaw(link), far

    with pytest.raises((AssertionError, pytest.fail.Exception)):
        await check_rule(pair, rule)
