"""The panes of the work screen, one for each step of the job."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping

from textual.app import ComposeResult
from textual.widget import Widget
from textual.widgets import ContentSwitcher

from busprobe.session.events import Step
from busprobe.tui.screens.address_pane import AddressPane
from busprobe.tui.screens.bench_pane import BenchPane
from busprobe.tui.screens.energy_pane import EnergyPane
from busprobe.tui.screens.find_pane import FindPane
from busprobe.tui.screens.handover_pane import HandoverPane
from busprobe.tui.screens.line_pane import LinePane
from busprobe.tui.screens.link_pane import LinkPane
from busprobe.tui.screens.wiring_pane import WiringPane

_LATER: Mapping[Step, Callable[[], Widget]] = {
    Step.ADDRESSES: AddressPane,
    Step.LINE: LinePane,
    Step.WIRING: WiringPane,
    Step.ENERGY: EnergyPane,
    Step.HANDOVER: HandoverPane,
    Step.BENCH: BenchPane,
}


class Panes(ContentSwitcher):
    """Shows one pane at a time.

    Those for the link and for what is found are there from the start. The others are made when
    their step is first shown: most visits need few of them, and the first screen is there sooner.
    """

    def __init__(self, link: LinkPane) -> None:
        super().__init__(id="panes", initial=f"pane-{Step.LINK}")
        self._link = link
        self._making = asyncio.Lock()

    def compose(self) -> ComposeResult:
        """The panes of the beginning."""
        yield self._link
        yield FindPane()

    async def make(self, step: Step) -> None:
        """Have the pane of a step; it is whole when this returns."""
        # A key and the mouse may ask for one pane at once.
        async with self._making:
            if self.query_one_optional(f"#pane-{step}") is None:
                pane = _LATER[step]()
                pane.display = False
                await self.mount(pane)
