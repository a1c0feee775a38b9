"""Draws exercises by level and seed: one to three faults that fit together and can be found.

A fault takes something for itself (a meter's address, its wiring, the line), so that no two drawn
faults hide one another beyond what a bus can tell.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from busprobe_sim.scenario.schema import ScenarioPart
from busprobe_sim.training.compose import site
from busprobe_sim.training.exercise import ExercisePart, HintPart

LEVELS = (1, 2, 3, 4, 5)
_PHASES = ("L1", "L2", "L3")
_SITES = ("mill-lane", "bakery", "orchard", "smithy")
# A site with sources of which the papers say what every meter measures: only there a balance of the
# energy can be drawn up.
_ENERGY_SITE = "ferry-house"
_ENERGY_ROLES = {
    "grid meter": "grid",
    "boathouse meter": "generator",
    "kitchen meter": "load",
    "hybrid inverter": "hybrid",
}
# At level 5, with three faults each time, too few of them fit beside one of the energy.
_ENERGY_LEVELS, _ENERGY_SHARE = (3, 4), 1 / 3
# Faults per level, least and most.
_FAULTS = {1: (1, 1), 2: (1, 1), 3: (2, 2), 4: (2, 3), 5: (3, 3)}

_STORY = (
    "{place} called this morning. {complaint} The papers below were in the cabinet; nobody "
    "remembers what was changed, or when. You have an adapter, a 2 kW heater and an hour."
)
_COMPLAINTS = (
    "The energy manager shows figures that nobody believes.",
    "The app has been full of gaps and odd numbers since the last visit of the electrician.",
    "The bill and the display disagree, and the display is said to be wrong.",
    "After the extension went live the portal shows something else than before.",
)


@dataclass
class _Drawing:
    """An exercise that is being drawn."""

    chance: random.Random
    part: ScenarioPart
    changes: dict[str, Any] = field(default_factory=lambda: {"devices": {}})
    truth: list[dict[str, Any]] = field(default_factory=list)
    taken: set[str] = field(default_factory=set)

    @property
    def meters(self) -> list[str]:
        return [d.name for d in self.part.devices if d.measures.positive == "import"]

    def address(self, name: str) -> int:
        return next(d.address for d in self.part.devices if d.name == name)

    def free(self, *, wiring: bool = False) -> list[str]:
        """Meters of which nothing was taken yet; for wiring those that the heater reaches."""
        reach = {"grid", self.part.site.socket}
        return [
            d.name
            for d in self.part.devices
            if d.name in self.meters
            and d.name not in self.taken
            and (not wiring or d.measures.point in reach)
        ]

    def change(self, name: str, value: dict[str, Any]) -> None:
        self.changes["devices"][name] = value
        self.taken.add(name)

    def tell(self, code: str, address: int | None, text: str, **more: Any) -> None:
        self.truth.append({"code": code, "address": address, "text": text, **more})


def _shared_address(drawing: _Drawing) -> bool:
    """One meter was left on another's address; both are alike enough to hide each other."""
    free = drawing.free()
    alike = [
        (first, second)
        for first in free
        for second in free
        if drawing.address(first) < drawing.address(second)
    ]
    if not alike or "missing" in drawing.taken:
        return False
    first, second = drawing.chance.choice(alike)
    address = drawing.address(first)
    drawing.change(second, {"address": address})
    drawing.taken |= {first, "missing"}
    drawing.tell(
        "duplicate-address", address, f"The {first} and the {second} share address {address}."
    )
    return True


def _other_settings(drawing: _Drawing) -> bool:
    """A meter talks other line settings than the rest."""
    free = drawing.free()
    if len(free) < 2 or len(drawing.part.devices) < 3:
        return False
    name = drawing.chance.choice(free[1:])
    settings = drawing.chance.choice(("19200 8E1", "38400 8N1", "38400 8E1"))
    drawing.change(name, {"settings": settings})
    drawing.tell("settings-differ", drawing.address(name), f"The {name} talks {settings}.")
    return True


def _silent(drawing: _Drawing) -> bool:
    """A meter does not answer at all."""
    free = drawing.free()
    if len(free) < 2 or "missing" in drawing.taken:
        return False
    name = drawing.chance.choice(free[1:])
    drawing.taken.add("missing")
    drawing.change(name, {"transceiver": {"dead_driver": True}})
    drawing.tell(
        "device-silent",
        drawing.address(name),
        f"The {name} does not answer: its driver is dead.",
        accept=("swapped-pair",),
    )
    return True


def _reversed(drawing: _Drawing) -> bool:
    """A CT the wrong way round."""
    free = drawing.free(wiring=True)
    if not free:
        return False
    name = drawing.chance.choice(free)
    # Two of three reversed look like one of three at a meter of the other sign: one only.
    wrong = drawing.chance.choice(_PHASES)
    drawing.change(name, {"measures": {"cts": {wrong: {"reversed": True}}}})
    drawing.tell(
        "ct-reversed",
        drawing.address(name),
        f"The CT of input {wrong} of the {name} is reversed.",
        inputs=(wrong,),
    )
    return True


def _exchanged(drawing: _Drawing) -> bool:
    """Two CTs exchanged."""
    free = drawing.free(wiring=True)
    if not free:
        return False
    name = drawing.chance.choice(free)
    one, other = sorted(drawing.chance.sample(_PHASES, 2))
    cts = {one: {"conductor": other}, other: {"conductor": one}}
    drawing.change(name, {"measures": {"cts": cts}})
    drawing.tell(
        "cts-swapped",
        drawing.address(name),
        f"The CTs of inputs {one} and {other} of the {name} are exchanged.",
        inputs=(one, other),
    )
    return True


def _dead_ct(drawing: _Drawing) -> bool:
    """A CT that is not closed."""
    free = drawing.free(wiring=True)
    if not free:
        return False
    name = drawing.chance.choice(free)
    wrong = drawing.chance.choice(_PHASES)
    drawing.change(name, {"measures": {"cts": {wrong: {"conductor": "none"}}}})
    drawing.tell(
        "ct-dead",
        drawing.address(name),
        f"The CT of input {wrong} of the {name} is not closed around its conductor.",
        inputs=(wrong,),
    )
    return True


def _echo(drawing: _Drawing) -> bool:
    """The adapter hears itself."""
    if "line" in drawing.taken:
        return False
    drawing.changes["line"] = {"adapter": {"echo": True}}
    drawing.taken.add("line")
    drawing.tell("echo-heard", None, "The adapter returns every request before the answer.")
    return True


def _counts_backwards(drawing: _Drawing) -> bool:
    """A meter at the feed-in point, or at a source, with all its CTs the wrong way round."""
    name = drawing.chance.choice(("grid meter", "boathouse meter"))
    # Whoever takes part in the balance must be alone and heard, and the heater has to prove the
    # others: nothing else is drawn that would touch these two.
    drawing.taken |= {"grid meter", "boathouse meter", "missing"}
    if name == "boathouse meter":
        # A consumer that counts wrong, too, may leave the balance undecided.
        drawing.taken.add("kitchen meter")
    cts = {phase: {"reversed": True} for phase in _PHASES}
    drawing.change(name, {"measures": {"cts": cts}})
    drawing.tell(
        "balance-meter-reversed",
        drawing.address(name),
        f"The {name} counts the wrong way round.",
        **({"accept": ("ct-reversed",)} if name == "grid meter" else {}),
    )
    return True


_Fault = Callable[[_Drawing], bool]
_EASY: tuple[_Fault, ...] = (_shared_address, _other_settings, _silent, _echo)
_ALL: tuple[_Fault, ...] = (*_EASY, _reversed, _exchanged, _dead_ct)
_HARD: tuple[_Fault, ...] = (_shared_address, _reversed, _exchanged, _dead_ct, _other_settings)
# What leaves the balance as it is: a line, and a consumer that the heater proves.
_BESIDE_ENERGY: tuple[_Fault, ...] = (_echo, _reversed)
_OF_LEVEL: dict[int, tuple[_Fault, ...]] = {1: _EASY, 2: _ALL, 3: _ALL, 4: _HARD, 5: _ALL}


def draw_exercise(level: int, seed: int) -> ExercisePart:
    """Draw an exercise; the same level and seed give the same one.

    Args:
        level: 1 (one plain fault) to 5 (three faults).
        seed: Any number.
    """
    chance = random.Random(f"exercise {level} {seed}")
    least, most = _FAULTS[level]
    while True:
        begin = chance.choice(_SITES)
        energy = level in _ENERGY_LEVELS and chance.random() < _ENERGY_SHARE
        if energy:
            begin = _ENERGY_SITE
        drawing = _Drawing(chance, site(begin))
        wanted = chance.randint(least, most)
        kinds = list(_BESIDE_ENERGY if energy else _OF_LEVEL[level])
        chance.shuffle(kinds)
        if energy:
            kinds.insert(0, _counts_backwards)
        for kind in kinds:
            if len(drawing.truth) == wanted:
                break
            kind(drawing)
        if len(drawing.truth) == wanted:
            return _written(level, begin, drawing)


def _written(level: int, begin: str, drawing: _Drawing) -> ExercisePart:
    part = drawing.part
    roles = _ENERGY_ROLES if begin == _ENERGY_SITE else {}
    plan = [
        {
            "name": d.name,
            "address": d.address,
            "meter": d.name in drawing.meters and roles.get(d.name) != "generator",
            "role": roles.get(d.name, ""),
            "feeder": "" if d.measures.point in ("grid", part.site.socket) else d.measures.point,
        }
        for d in part.devices
    ]
    place = part.title.partition(":")[0]
    return ExercisePart.model_validate(
        {
            "title": f"{place}, drawn at level {level}",
            "level": level,
            "story": _STORY.format(place=place, complaint=drawing.chance.choice(_COMPLAINTS)),
            "plan": plan,
            "planned_settings": part.line.settings,
            "scenario": {"from": begin},
            "hints": [h.model_dump() for h in _HINTS],
            "conduct": {"par_s": 300.0 + 150.0 * level},
            "cases": [
                {"name": "drawn", "set": drawing.changes, "truth": drawing.truth},
                # The story does not tell: nothing at all may be wrong as well.
                {"name": "nothing-wrong", "truth": []},
            ],
        }
    )


_HINTS = (
    HintPart(price=5, text="Compare who answers with who should, address by address."),
    HintPart(
        price=10,
        text="Every address that answers may hide a second device; every meter that answers may "
        "be wired wrongly. Both can be proved.",
    ),
)
