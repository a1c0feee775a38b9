"""Two pseudo terminals joined back to back: a null-modem cable between two programs."""

from __future__ import annotations

import asyncio
import os
import pty
import tty


class PtyCable:
    """A cable with two ends to open; runs in the event loop it was made in.

    Args:
        echo_for: End (0 or 1) that hears itself, as an adapter whose receiver stays on does.
    """

    def __init__(self, echo_for: int | None = None) -> None:
        self._echo_for = echo_for
        self._masters: list[int] = []
        self._slaves: list[int] = []
        self.names: list[str] = []
        for _ in range(2):
            master, slave = pty.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            self._masters.append(master)
            # Kept open: reading a master whose other side nobody has open is an error on Linux.
            self._slaves.append(slave)
            self.names.append(os.ttyname(slave))
        loop = asyncio.get_running_loop()
        one, other = self._masters
        loop.add_reader(one, self._pump, 0, one, other)
        loop.add_reader(other, self._pump, 1, other, one)

    def _pump(self, end: int, source: int, sink: int) -> None:
        # Frames are far smaller than what a pseudo terminal holds, so a write never falls short.
        data = os.read(source, 4096)
        if end == self._echo_for:
            assert os.write(source, data) == len(data)
        assert os.write(sink, data) == len(data)

    def close(self) -> None:
        """Pull it out at both ends."""
        loop = asyncio.get_running_loop()
        for master in self._masters:
            loop.remove_reader(master)
            os.close(master)
        for slave in self._slaves:
            os.close(slave)
        self._masters.clear()
        self._slaves.clear()
