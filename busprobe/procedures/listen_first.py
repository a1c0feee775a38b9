"""Listening before the first request: does somebody else talk here, at whatever settings?

Bytes without a frame may be a conversation at other settings. So where any are heard, the settings
are sought by listening, and the line is left as it was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from busprobe.bus.bus import Bus
from busprobe.bus.manners import Manners, listen_before_talking
from busprobe.diagnosis.listening import LineState
from busprobe.procedures.listen import listen
from busprobe.procedures.progress import Observer

# A master that polls every other second is heard three times at the right settings meanwhile.
_FURTHER_S = 6.0
# Fewer bytes than this are no conversation.
_FEWEST_BYTES = 6


async def listen_first(
    bus: Bus, seconds: float, observe: Observer, should_stop: Callable[[], bool]
) -> Manners:
    """Listen for a foreign master, and for somebody who never stops.

    Args:
        bus: The bus; its settings are in force again afterwards.
        seconds: How long at the settings in force [s]; longer where something is heard there.
        observe: Told every moment of the longer listening.
        should_stop: Asked every moment.
    """
    manners = await listen_before_talking(bus, round(seconds * 1e9), should_stop)
    settings = bus.settings
    few = len(manners.overheard.data) < _FEWEST_BYTES
    if manners.master or few or settings is None or should_stop():
        return manners
    found = await listen(bus, _FURTHER_S, observe=observe, should_stop=should_stop)
    if bus.settings != settings:
        await bus.configure(settings)
    talk = found.conversation
    if found.settings is not None and talk.master_seen:
        addresses = tuple(device.address for device in talk.devices)
        return replace(manners, master=True, addresses=addresses, settings=found.settings)
    return replace(manners, endless=found.heard.state is LineState.JABBER)
