"""What can be told and what cannot: by enumeration, and on data without noise.

The enumeration asks the diagnosis' own phasors which wirings answer alike; the data come from an
independent phasor computation (`phasors`). The counts follow from S_k = s r exp(-j 120deg (v - c))
S_c and can be checked by hand for the small cases.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterable

import numpy as np
import pytest

from busprobe.diagnosis.wiring.examine import Examined, examine
from busprobe.diagnosis.wiring.physics import (
    Clamp,
    Leads,
    Network,
    clamps,
    lead_states,
    network,
)
from busprobe.diagnosis.wiring.types import KnownLoad, MeterSystem
from tests.diagnosis.wiring.phasors import PHASES, noiseless

FOUR_WIRE = MeterSystem.THREE_PHASE_FOUR_WIRE
NET = network(FOUR_WIRE)
BACKWARD = network(FOUR_WIRE, -1)
Wiring = tuple[Leads, tuple[Clamp, ...]]

ORDERS = list(itertools.permutations(PHASES))
SIGNS = list(itertools.product((1, -1), repeat=3))
CT_48 = [
    tuple(Clamp(c, s) for c, s in zip(order, signs, strict=True))
    for order in ORDERS
    for signs in SIGNS
]
LEADS_6 = [Leads(order, "N", "permuted") for order in ORDERS]
ALL_288: list[Wiring] = [(leads, cts) for leads in LEADS_6 for cts in CT_48]


def factors(net: Network, wiring: Wiring, loads: Iterable[str]) -> tuple[tuple[complex, ...], ...]:
    """What each input answers to each load."""
    leads, cts = wiring
    return tuple(
        tuple(
            complex(np.round(net.factor(leads, k, clamp, load), 6)) + 0.0
            for k, clamp in enumerate(cts)
        )
        for load in loads
    )


def levels(wiring: Wiring) -> tuple[float, ...]:
    """Voltages of the inputs, and between them."""
    leads, _ = wiring
    across = [NET.input_voltage(leads, k) for k in range(3)]
    pairs = [across[0] - across[1], across[1] - across[2], across[2] - across[0]]
    return tuple(round(abs(u), 6) for u in (*across, *pairs))


def class_sizes(keys: Iterable[object]) -> Counter[int]:
    return Counter(Counter(keys).values())


@pytest.mark.parametrize(
    ("loads", "expected"),
    [
        (("L1",), {16: 18}),
        (("L1", "L2"), {2: 144}),
        (PHASES, {1: 288}),
        (("L1L2L3",), {3: 48, 6: 24}),
    ],
)
def test_classes_under_a_labelled_load(loads: tuple[str, ...], expected: dict[int, int]) -> None:
    assert class_sizes(factors(NET, w, loads) for w in ALL_288) == expected


def test_classes_when_the_names_are_unknown() -> None:
    keys = [min(str(factors(NET, w, order)) for order in ORDERS) for w in ALL_288]
    assert class_sizes(keys) == {3: 48, 6: 24}


def test_classes_without_reactive_power() -> None:
    keys = [tuple(tuple(f.real for f in row) for row in factors(NET, w, PHASES)) for w in ALL_288]
    assert class_sizes(keys) == {1: 192, 2: 48}


def test_classes_by_the_sign_of_the_step_alone() -> None:
    keys = [
        tuple(tuple(np.sign(f.real) for f in row) for row in factors(NET, w, PHASES))
        for w in ALL_288
    ]
    assert class_sizes(keys) == {6: 48}


def test_classes_when_the_rotation_is_unknown() -> None:
    keys = [factors(net, w, PHASES) for w in ALL_288 for net in (NET, BACKWARD)]
    assert class_sizes(keys) == {1: 288, 2: 144}


def test_classes_when_the_rotation_is_unknown_but_the_sag_is_seen() -> None:
    def sags(w: Wiring) -> tuple[tuple[bool, ...], ...]:
        return tuple(tuple(NET.sag(w[0], k, p) < -0.5 for k in range(3)) for p in PHASES)

    keys = [(factors(net, w, PHASES), sags(w)) for w in ALL_288 for net in (NET, BACKWARD)]
    assert class_sizes(keys) == {1: 480, 2: 48}


def turned_only(w: Wiring) -> tuple[tuple[complex, ...], ...]:
    """Turns of the inputs, either way along the axis: all that unknown steps can show."""
    leads, cts = w
    return tuple(
        complex(np.round((NET.factor(leads, k, ct, ct.conductor)) ** 2, 6)) + 0.0
        for k, ct in enumerate(cts)
    )


def pairing(w: Wiring) -> tuple[tuple[int, int], ...]:
    """Which CT belongs to which voltage lead, and its direction: what the sag shows."""
    leads, cts = w
    return tuple((leads.positive.index(ct.conductor), ct.direction) for ct in cts)


def test_passive_classes() -> None:
    assert class_sizes(turned_only(w) for w in ALL_288) == {24: 6, 48: 3}
    assert class_sizes(pairing(w) for w in ALL_288) == {6: 48}
    assert class_sizes((pairing(w), turned_only(w)) for w in ALL_288) == {3: 80, 6: 8}


def states_of(kind: str) -> list[Leads]:
    return [state for state in lead_states(FOUR_WIRE) if state.kind == kind]


@pytest.mark.parametrize(
    ("kind", "wirings", "classes"),
    [
        ("neutral-swapped", 864, 864),
        ("lead-open", 864, 432),
        ("doubled", 1008, 1008),
        ("neutral-open", 288, 288),
    ],
)
def test_classes_of_lead_faults(kind: str, wirings: int, classes: int) -> None:
    """A labelled load on each phase, with voltages, and currents where there is no voltage."""
    every = [(leads, cts) for leads in states_of(kind) for cts in CT_48]
    keys = [
        (
            factors(NET, w, PHASES),
            levels(w),
            tuple(ct.conductor for ct in w[1]),
        )
        for w in every
    ]
    assert len(every) == wirings
    assert len(set(keys)) == classes


def test_classes_of_ct_faults() -> None:
    places = clamps(FOUR_WIRE)
    combinations = list(itertools.product(places, repeat=3))

    def kind(cts: tuple[Clamp, ...]) -> str:
        names = sorted(ct.conductor for ct in cts)
        if names.count("none") == 1 and len(set(names)) == 3 and "N" not in names:
            return "dead"
        if "none" in names:
            return "odd"
        if names.count("N") == 1 and len(set(names)) == 3:
            return "neutral"
        return "doubled" if "N" not in names and len(set(names)) < 3 else "odd"

    sizes = {"dead": 432, "doubled": 1008, "neutral": 864}
    for name, size in sizes.items():
        every = [(leads, cts) for leads in LEADS_6 for cts in combinations if kind(cts) == name]
        assert len(every) == size
        assert len({factors(NET, w, PHASES) for w in every}) == size


def best_class(found: Examined) -> set[tuple[tuple[str, ...], tuple[str, ...], tuple[int, ...]]]:
    """The wirings without gross faults that fit the data exactly as well as the best one."""
    out = set()
    # Whether the register has a sign at all is another question.
    views = [v for v in found.views if v.tables is not None and v.tables.signed_q]
    top = max(float(view.posterior.log_fit.max()) for view in views)
    for view in views:
        post = view.posterior
        for index in np.argwhere(post.log_fit > top - 1e-6):
            leads = post.leads[index[0]]
            cts = [post.clamps[i] for i in index[1:]]
            places = tuple(ct.conductor for ct in cts)
            if leads.kind == "permuted" and set(places) == set(PHASES):
                out.add((leads.positive, places, tuple(ct.direction for ct in cts)))
    return out


def sample(count: int) -> list[tuple[tuple[str, ...], tuple[str, ...], tuple[int, ...]]]:
    rng = np.random.default_rng(11)
    chosen = rng.choice(288, count, replace=False)
    every = [(v, c, s) for v in ORDERS for c in ORDERS for s in SIGNS]
    return [every[i] for i in chosen]


@pytest.mark.parametrize(
    ("tests", "phase", "columns", "rotations", "sizes"),
    [
        (PHASES, "each", "VPQ", (1,), {1}),
        (("L1", "L2"), "each", "VPQ", (1,), {2}),
        (("L1",), "L1", "VPQ", (1,), {16}),
        (("L1L2L3",), "L1L2L3", "VPQ", (1,), {3, 6}),
        (PHASES, "each", "VP", (1,), {1, 2}),
        (PHASES, "each", "VPQ", (1, -1), {1, 2}),
    ],
)
def test_data_without_noise_leave_exactly_the_class_of_the_truth(
    tests: tuple[str, ...],
    phase: str,
    columns: str,
    rotations: tuple[int, ...],
    sizes: set[int],
) -> None:
    seen = set()
    for leads, places, directions in sample(6):
        series = noiseless(leads, places, directions, tests, columns=columns)
        found = examine(
            series,
            KnownLoad(2000.0, phase=phase),
            FOUR_WIRE,
            rotations=dict.fromkeys(rotations, 0.0),
        )
        assert found is not None
        alike = best_class(found)
        assert (leads, places, directions) in alike
        seen.add(len(alike))
    assert seen <= sizes
    assert seen
