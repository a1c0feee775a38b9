"""Which of several hosts speak Modbus TCP?"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

from busprobe.model.errors import LinkError
from busprobe.model.line import Endpoint
from busprobe.session.ports import OpenedLink, OpenLink

# Dead hosts rule a scan: time is dead hosts x time-out / hosts at once.
_AT_ONCE = 32


async def reachable_hosts(
    endpoints: Sequence[Endpoint],
    open_link: OpenLink,
    on_tried: Callable[[int, Endpoint, OpenedLink | None], None],
) -> list[tuple[Endpoint, OpenedLink]]:
    """Try to connect to each host, many at once; those that accept are returned open.

    Args:
        endpoints: The hosts.
        open_link: Opens a link.
        on_tried: Told of each host when it is clear, with the number of hosts tried so far.
    """
    gate = asyncio.Semaphore(_AT_ONCE)
    tried = 0

    async def attempt(endpoint: Endpoint) -> tuple[Endpoint, OpenedLink] | None:
        nonlocal tried
        async with gate:
            try:
                opened = await open_link(endpoint, None)
            except LinkError:
                opened = None
        tried += 1
        on_tried(tried, endpoint, opened)
        return None if opened is None else (endpoint, opened)

    found = await asyncio.gather(*(attempt(endpoint) for endpoint in endpoints))
    return [pair for pair in found if pair is not None]
