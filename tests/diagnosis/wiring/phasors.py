"""What a meter reads, computed apart from the diagnosis: Ohm's law and complex numbers only."""

from __future__ import annotations

import numpy as np

from busprobe.model.series import Series, SwitchMark

PHASES = ("L1", "L2", "L3")
VOLTS = {
    "L1": 230.0 + 0j,
    "L2": 230.0 * np.exp(-2j * np.pi / 3),
    "L3": 230.0 * np.exp(2j * np.pi / 3),
    "N": 0j,
}


def balanced_currents(amps: float, phi: float) -> dict[str, complex]:
    """Three equal loads, current lagging by phi [rad]."""
    return {p: amps * VOLTS[p] / 230.0 * np.exp(-1j * phi) for p in PHASES}


def apparent_power(
    leads: tuple[str, ...],
    clamps: tuple[str, ...],
    directions: tuple[int, ...],
    currents: dict[str, complex],
    reference: str = "N",
) -> list[complex]:
    """Complex power that each element measures [VA]."""
    return [
        (VOLTS[v] - VOLTS[reference]) * np.conj(currents.get(c, 0j) * s)
        for v, c, s in zip(leads, clamps, directions, strict=True)
    ]


def noiseless(
    leads: tuple[str, ...],
    clamps: tuple[str, ...],
    directions: tuple[int, ...],
    tests: tuple[str, ...],
    *,
    watts: float = 2000.0,
    columns: str = "VPQ",
    reference: str = "N",
    conjugate: bool = False,
) -> Series:
    """A record without noise, drift or sag: a heater is switched twice in each test.

    The house draws a little on each phase, so that a live CT is seen to be live.
    """
    marks: list[SwitchMark] = []
    t_switch: list[tuple[float, str, bool]] = []
    t = 20.0
    for place in tests:
        for _ in range(2):
            for on in (True, False):
                marks.append(SwitchMark(t, on, place))
                t_switch.append((t + 1.2, place, on))
                t += 9.0
    rows = np.arange(0.0, t + 5.0, 1.0)
    out: dict[str, list[float]] = {}
    for now in rows:
        load = dict.fromkeys(PHASES, 0.0)
        for when, place, on in t_switch:
            if when <= now:
                for p in PHASES if place == "L1L2L3" else (place,):
                    load[p] = (watts / (3 if place == "L1L2L3" else 1)) if on else 0.0
        currents = {p: np.conj((200.0 + 30j + load[p]) / VOLTS[p]) for p in PHASES}
        currents["N"] = -sum(currents.values())
        powers = apparent_power(leads, clamps, directions, currents, reference)
        for name, v, s in zip(PHASES, leads, powers, strict=True):
            s = np.conj(s) if conjugate else s
            if "P" in columns:
                out.setdefault(f"P_{name}", []).append(float(np.round(s.real)))
            if "Q" in columns:
                out.setdefault(f"Q_{name}", []).append(float(np.round(s.imag)))
            if "V" in columns:
                level = abs(VOLTS[v] - VOLTS[reference]) if v in VOLTS else 0.0
                # Whole volts, so that no sag is looked for.
                out.setdefault(f"V_{name}", []).append(float(np.round(level)))
    return Series(
        tuple(float(x) for x in rows),
        {name: tuple(values) for name, values in out.items()},
        tuple(marks),
        {f"V_{name}": 1.0 for name in PHASES if "V" in columns},
    )


def three_wire_watch(
    leads: tuple[str, str, str],
    clamps: tuple[str, str],
    directions: tuple[int, int],
    *,
    seed: int,
    heaters: bool,
    minutes: int = 30,
) -> Series:
    """Two elements in a workshop without neutral: motors (20 to 45 degrees), heaters between wires.

    Args:
        leads: Conductor of both voltage leads and of the common terminal.
        clamps: Conductor of both CTs.
        directions: Their directions.
        seed: Of the chance.
        heaters: Whether there are loads between two wires as well.
        minutes: How long.
    """
    rng = np.random.default_rng(seed)
    n = 60 * minutes
    currents = {p: np.full(n, np.conj((900 + 500j) / VOLTS[p])) for p in PHASES}
    for _ in range(minutes):
        start = int(rng.integers(0, n))
        on = slice(start, start + int(rng.lognormal(np.log(90.0), 0.8)))
        watts = rng.uniform(300.0, 4000.0)
        if heaters and rng.random() < 0.4:
            one, other = (PHASES[i] for i in rng.permutation(3)[:2])
            amps = np.conj(watts / (VOLTS[one] - VOLTS[other]))
            currents[one][on] += amps
            currents[other][on] -= amps
        else:
            power = watts * np.exp(1j * np.radians(rng.uniform(20.0, 45.0))) / 3.0
            for p in PHASES:
                currents[p][on] += np.conj(power / VOLTS[p])
    out: dict[str, tuple[float, ...]] = {}
    for name, lead, place, turn in zip(("L1", "L3"), leads[:2], clamps, directions, strict=True):
        across = VOLTS[lead] - VOLTS[leads[2]]
        power = across * np.conj(currents[place] * turn)
        out[f"P_{name}"] = tuple(np.round(power.real + rng.normal(0.0, 2.0, n)).tolist())
        out[f"Q_{name}"] = tuple(np.round(power.imag + rng.normal(0.0, 2.0, n)).tolist())
        out[f"V_{name}"] = tuple(np.round(abs(across) + rng.normal(0.0, 0.3, n), 1).tolist())
    return Series(tuple(float(i) for i in range(n)), out)
