"""Other line settings for a device that answers with errors, or not at all.

The tool changes its own settings only, and takes the line's own again afterwards. A device at other
settings hears nothing but damaged characters.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from busprobe.bus.bus import Bus
from busprobe.diagnosis.line_health import Sign, Target, Weighed, sample
from busprobe.diagnosis.line_health.counting import MOST_SURE
from busprobe.diagnosis.line_health.experiment import LISTEN_NS
from busprobe.diagnosis.line_health.signs import Condition
from busprobe.diagnosis.line_health.types import Cause
from busprobe.link.line_errors import LineErrors
from busprobe.model.chunk import Mark
from busprobe.model.finding import Evidence
from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.find_settings import COMMON_SETTINGS, find_settings
from busprobe.procedures.progress import Observer, Progress
from busprobe.wire import pdu

# A format is tried with so many requests.
_FORMAT_TRIES = 4
# More silent addresses than this are not one device set wrongly.
_MOST_SOUGHT = 4
_SILENT = ("device-silent", "line-silent")


def counters(bus: Bus) -> LineErrors | None:
    """Error counters of the link, None where it has none."""
    return bus.line_errors()


async def try_formats(
    bus: Bus,
    weighed: Weighed,
    targets: Sequence[Target],
    observe: Observer,
    should_stop: Callable[[], bool],
) -> Weighed:
    """Where whole answers come with error marks, look for the format without any."""
    home = bus.settings
    marked = [c for c in weighed.causes if c.code == "wrong-parity" and c.address is not None]
    if home is None or not marked or should_stop():
        return weighed
    by_address = {t.address: t for t in targets}
    better: dict[int | None, LineSettings] = {}
    for cause in marked:
        assert cause.address is not None
        found = await _best_format(bus, by_address[cause.address], home, observe)
        if found is not None:
            better[cause.address] = found
    await bus.configure(home)
    return replace(
        weighed,
        causes=tuple(
            replace(
                c,
                facts={
                    **c.facts,
                    "settings": home,
                    "better": f"; at {better[c.address]} it reports none"
                    if c.address in better
                    else "",
                },
            )
            if c.code == "wrong-parity"
            else c
            for c in weighed.causes
        ),
    )


async def seek_silent(
    bus: Bus,
    weighed: Weighed,
    targets: Sequence[Target],
    observe: Observer,
    should_stop: Callable[[], bool],
) -> Weighed:
    """Where an address stays silent, ask it at the other settings in common use."""
    home = bus.settings
    silent = [c.address for c in weighed.causes if c.code == "device-silent"]
    nobody = any(c.code == "line-silent" for c in weighed.causes)
    sought = tuple(t.address for t in targets if nobody or t.address in silent)
    busy = any(c.code == "foreign-master" for c in weighed.causes)
    if home is None or busy or should_stop() or not 0 < len(sought) <= _MOST_SOUGHT:
        return weighed
    others = tuple(s for s in COMMON_SETTINGS if (s.baud, s.parity) != (home.baud, home.parity))
    search = await find_settings(
        bus, observe, settings=others, addresses=sought, should_stop=should_stop
    )
    await bus.configure(home)
    found: dict[int, tuple[LineSettings, int]] = {}
    for settings in sorted(search.answered, key=lambda s: s != search.best):
        for address in search.answered[settings]:
            exchange = search.exchanges[settings, address]
            if exchange.proves_device:
                found.setdefault(address, (settings, exchange.number))
    if not found:
        return weighed
    rest = [c for c in weighed.causes if c.code not in _SILENT or c.address not in (None, *found)]
    if nobody:
        listed = ", ".join(f"{a} ({s})" for a, (s, _) in sorted(found.items()))
        rest += [
            replace(
                c,
                evidence=c.evidence
                + tuple(Evidence(n, f"{a} answers at {s}") for a, (s, n) in sorted(found.items())),
                facts={**c.facts, "hint": f"At other settings they answer: {listed}."},
            )
            for c in weighed.causes
            if c.code == "line-silent"
        ]
    else:
        rest += [
            Cause(
                "settings-differ",
                address,
                MOST_SURE,
                (Evidence(number, f"address {address} answers at {settings}"),),
                {"settings": settings, "home": home},
            )
            for address, (settings, number) in sorted(found.items())
        ]
    return replace(weighed, causes=tuple(sorted(rest, key=lambda c: -c.probability)))


async def _best_format(
    bus: Bus, target: Target, home: LineSettings, observe: Observer
) -> LineSettings | None:
    request = pdu.read_registers(target.function, target.register, target.longest)
    for parity in (Parity.EVEN, Parity.ODD, Parity.NONE):
        if parity is home.parity:
            continue
        candidate = LineSettings(home.baud, parity, 1)
        observe(Progress(0, 0, None, f"address {target.address} at {candidate}"))
        await bus.configure(candidate)
        clean = 0
        for _ in range(_FORMAT_TRIES):
            before = counters(bus)
            exchange = await bus.exchange(target.address, request, listen_ns=LISTEN_NS)
            after = counters(bus)
            counted = after - before if after is not None and before is not None else None
            taken, _ = sample(exchange, Condition(target.longest, 0, False))
            marked = any(
                m is not Mark.GOOD for c in exchange.chunks for m in c.marks or ()
            ) or bool(counted and counted.framing + counted.parity + counted.breaks)
            clean += taken.sign is Sign.CLEAN and not marked
        if clean == _FORMAT_TRIES:
            return candidate
    return None
