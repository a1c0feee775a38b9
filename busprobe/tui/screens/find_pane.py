"""The find step: the sweep while it runs, the selected device afterwards."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Vertical

from busprobe.session.events import Step
from busprobe.tui.state import StepState
from busprobe.tui.widgets.address_map import AddressMap
from busprobe.tui.widgets.device_panel import DevicePanel
from busprobe.tui.widgets.panel import Looks
from busprobe.tui.widgets.step_card import StepCard


class FindPane(Looks, Vertical):
    """Map of all addresses, or the selected device."""

    DEFAULT_CSS = """
    FindPane { height: 1fr; padding: 0 1; }
    """

    def __init__(self) -> None:
        super().__init__(id="pane-find")

    def compose(self) -> ComposeResult:
        """Card, map, device."""
        yield StepCard(Step.FIND)
        yield AddressMap()
        yield DevicePanel(id="device")

    def on_mount(self) -> None:
        """Show the state."""
        self.refresh_state()

    def refresh_state(self) -> None:
        """Show the map while it fills, the device when there is one to look at."""
        state = self.state
        running = state.steps[Step.FIND].state is StepState.RUNNING
        looking = bool(state.devices) and not running
        self.query_one(StepCard).display = not looking or self.size.height >= 24
        self.query_one(AddressMap).display = not looking
        self.query_one(DevicePanel).display = looking
        self.query_one(StepCard).refresh_state()
        if looking:
            self.query_one(DevicePanel).refresh_state()
        else:
            self.query_one(AddressMap).refresh_state()

    def on_resize(self) -> None:
        """The card needs room."""
        self.refresh_state()
