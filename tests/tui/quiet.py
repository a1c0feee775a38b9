"""Waiting for an application to come to rest, told by its event loop instead of by the clock."""

from __future__ import annotations

import asyncio
import unicodedata

from textual import events
from textual.app import App
from textual.keys import REPLACED_KEYS, _character_to_key, _get_unicode_name_from_key

# An event loop that has nothing to do twice in a row has taken in what was due and what had come.
_ROUNDS_AT_REST = 2


async def quiet() -> None:
    """Return once nothing can go on by itself: everybody waits for time, a file or a thread.

    A pause of the framework's own pilot asks every widget for a sign of life; this asks the loop,
    which also knows of tasks that are no widgets.
    """
    loop = asyncio.get_running_loop()
    at_rest = 0
    while at_rest < _ROUNDS_AT_REST:
        turn = loop.create_future()
        loop.call_soon(turn.set_result, None)
        await turn
        # What is ready besides this task, which is running.
        at_rest = 0 if loop._ready else at_rest + 1  # type: ignore[attr-defined]


async def painted(app: App[None]) -> None:
    """Have the screen in front, and what shines through from under it, laid out and painted."""
    await quiet()
    for screen in app.screen_stack:
        screen._on_timer_update()
    await quiet()


async def strike(app: App[None], key: str) -> None:
    """Strike a key as a terminal would report it, and have it worked off."""
    if len(key) == 1 and not key.isalnum():
        key = _character_to_key(key)
    try:
        character = unicodedata.lookup(_get_unicode_name_from_key(REPLACED_KEYS.get(key, key)))
    except KeyError:
        character = key if len(key) == 1 else None
    event = events.Key(key, character)
    event.set_sender(app)
    assert app._driver is not None
    app._driver.send_message(event)
    await quiet()
    if app.animator._animations or app.animator._scheduled:
        await app.animator.wait_until_complete()
    await painted(app)
