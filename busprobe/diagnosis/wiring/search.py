"""Finding the switchings of a known load in a record without announcements.

Theory of operation
1. Only instants at which an input moves by a good part of the load can be switchings: a short list.
2. For every response A the best path of alternating switchings (+A, -A, +A ...) through that list
   is found by dynamic programming; each switching earns its log-likelihood ratio and costs a
   price, so that a path of chance meetings does not pay. Rests and on-times are bounded, so that a
   path is one visit of the load to one place.
3. One load is in one place at a time: the inputs are searched again, the surest one first, and
   what was found before is forbidden ground for the others, unless they see the same switchings.
4. Inputs that find their switchings at the same instants belong to the same place of the load;
   each such set is one test. Its name is the announced one where there is only one place, else it
   follows from the order of the tests - or stays open.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busprobe.diagnosis.wiring.density import StepDensity, core_scale
from busprobe.diagnosis.wiring.edges import Edge, Schedule, pairs_between
from busprobe.diagnosis.wiring.samples import Complex, Index, InputSamples, Real, Samples

# Steps below this share of the load are no candidates (the smallest ratio that is found so).
SMALLEST = 0.15
LARGEST = 12.0
SIZE_STEP = 0.04
SKEWS_DEG = (-4.0, 0.0, 4.0)
# A wrong ratio is less likely than a right one: log price of a size that is not the load's.
RATIO_PRICE = 10.0
# Price of one switching, and the score from which a path is believed: chosen on synthetic sites.
SWITCH_PRICE = 5.0
BELIEVED = 5.0
# A hob that goes on and off for ever must not outweigh two tests.
MOST_SCORE = 30.0
SHORTEST_S, LONGEST_S = 2.5, 240.0
MOST_CANDIDATES = 400
# Two inputs see the same switching when they place it this close [s], in rows.
SAME_ROWS = 2


@dataclass(frozen=True, slots=True)
class _Path:
    """Switchings that one input found: first row of the difference, and whether it was on.

    `as_expected` tells whether they have the size of the load, or that at another ratio;
    `lead` by how much the path is better than one that takes every "on" for an "off".
    """

    moments: tuple[tuple[int, bool], ...]
    as_expected: bool
    lead: float

    def on_times(self) -> list[tuple[int, int]]:
        """Rows between which the load was on."""
        rows = [row for row, _ in self.moments]
        return list(zip(rows[::2], rows[1::2], strict=False))


def found_schedule(samples: Samples, power_w: float, tolerance: float, directions: int) -> Schedule:
    """Find the switchings; the tests stay without names ("")."""
    grid = _responses(power_w, directions)
    walks = [_searched(samples, one, grid, power_w) for one in samples.inputs]
    # The load is the same everywhere: its size is the one that the inputs agree on best.
    spread = max(tolerance / 2.0, 0.03)
    size_prior = -0.5 * (np.log(grid.sizes) / spread) ** 2
    agreed = np.sum([w.by_size(grid) for w in walks if w is not None], axis=0) + size_prior
    common = int(np.argmax(agreed)) if np.ndim(agreed) else 0
    paths = [w.path(grid, common) if w is not None else None for w in walks]
    found = [p for p in paths if p is not None]
    kept = _of_one_load(_untangled(walks, paths, grid, common))
    tests = _same_places(kept)
    edges = [
        Edge(t := float(samples.t_s[row + samples.lag - 1]), on, number, _around(samples, t))
        for number, (moments, _) in enumerate(tests)
        for row, on in moments
    ]
    edges.sort(key=lambda edge: edge.t_s)
    return Schedule(
        tuple(edges),
        ("",) * len(tests),
        named=False,
        marked=False,
        tangled=len(kept) < len(found),
        leads=tuple(lead for _, lead in tests),
    )


def _untangled(
    walks: list[_Walk | None], paths: list[_Path | None], grid: _Grid, common: int
) -> list[_Path]:
    """The paths again, the surest first, each kept off what was found before it."""
    found = [(p, w) for p, w in zip(paths, walks, strict=True) if p is not None and w is not None]
    if not any(_clash(a, b) for k, (a, _) in enumerate(found) for b, _ in found[k + 1 :]):
        return [p for p, _ in found]
    found.sort(key=lambda pair: (not pair[0].as_expected, -pair[0].lead))
    kept: list[_Path] = []
    for path, walk in found:
        again: _Path | None = path
        if any(_clash(path, other) for other in kept):
            again = walk.kept_off([t for other in kept for t in other.on_times()]).path(
                grid, common
            )
        if again is not None:
            kept.append(again)
    return kept


def _clash(a: _Path, b: _Path) -> bool:
    """Whether two paths cannot be the same load."""
    return not _same_place(a, b) and _overlap(a, b) > 0


def _of_one_load(paths: list[_Path]) -> list[_Path]:
    """Leave out what cannot be the same load: one load is in one place at a time.

    Where two inputs found switchings that overlap without being the same, the one of another size
    goes first, else the busier one: that is a hob.
    """
    kept = list(paths)
    while True:
        clashes = [(a, b) for i, a in enumerate(kept) for b in kept[i + 1 :] if _clash(a, b)]
        if not clashes:
            return kept
        worst = max(
            (p for pair in clashes for p in pair),
            key=lambda p: (not p.as_expected, len(p.moments)),
        )
        kept = [p for p in kept if p is not worst]


def _overlap(a: _Path, b: _Path) -> int:
    """How often both were on for more than a moment."""
    return sum(
        min(off_a, off_b) - max(on_a, on_b) > SAME_ROWS
        for on_a, off_a in a.on_times()
        for on_b, off_b in b.on_times()
    )


def _same_place(a: _Path, b: _Path) -> bool:
    """Whether two inputs see the same switchings."""
    shared = sum(_meets(moment, b) for moment in a.moments)
    return shared >= 0.6 * min(len(a.moments), len(b.moments))


def _around(samples: Samples, t: float) -> Index:
    """Differences that may hold a switching found at an instant."""
    return pairs_between(samples, t - samples.period_s, t + 0.5 * samples.period_s)


def _same_places(paths: list[_Path]) -> list[tuple[list[tuple[int, bool]], float]]:
    """Switchings of each place of the load and their lead, in the order of the visits."""
    places: list[list[_Path]] = []
    for path in paths:
        for place in places:
            if _same_place(path, place[0]):
                place.append(path)
                break
        else:
            places.append([path])
    out = []
    for place in places:
        moments = list(place[0].moments)
        for other in place[1:]:
            moments += [m for m in other.moments if not _meets(m, place[0])]
        out.append((sorted(moments), max(path.lead for path in place)))
    return sorted(out)


def _meets(moment: tuple[int, bool], path: _Path) -> bool:
    row, on = moment
    return any(abs(row - r) <= SAME_ROWS and on == o for r, o in path.moments)


@dataclass(frozen=True, slots=True)
class _Grid:
    """Responses looked for: [direction, skew, size] flattened, and size and turn of each."""

    answers: Complex
    sizes: Real
    which: Index
    turns: Index
    directions: int


def _responses(power_w: float, directions: int) -> _Grid:
    low, high = round(math.log(SMALLEST) / SIZE_STEP), round(math.log(LARGEST) / SIZE_STEP)
    sizes = np.exp(SIZE_STEP * np.arange(low, high + 1))
    turn = np.exp(1j * np.radians(360.0 / directions * np.arange(directions)))
    skew = np.exp(1j * np.radians(SKEWS_DEG))
    answers = power_w * turn[:, None, None] * skew[None, :, None] * sizes[None, None, :]
    which = np.broadcast_to(np.arange(sizes.size), answers.shape)
    turns = np.broadcast_to(np.arange(directions)[:, None, None], answers.shape)
    return _Grid(answers.ravel(), sizes, which.ravel(), turns.ravel(), directions)


def _free(on: int, off: int, taken: Sequence[tuple[int, int]]) -> bool:
    """Whether the load may have been here between two rows, being elsewhere between others."""
    return all(
        min(off, theirs_off) - max(on, theirs_on) <= SAME_ROWS
        or (abs(on - theirs_on) <= SAME_ROWS and abs(off - theirs_off) <= SAME_ROWS)
        for theirs_on, theirs_off in taken
    )


class _Walk:
    """The best alternating path over the candidates of one input, for every response.

    Args:
        t: Time of the candidates [s].
        rows: First row of each candidate's difference.
        on: What each candidate earns as a switching on [candidate, response].
        off: The same as a switching off.
        taken: Rows between which the load was on elsewhere.
    """

    def __init__(
        self, t: Real, rows: Index, on: Real, off: Real, taken: Sequence[tuple[int, int]] = ()
    ) -> None:
        n, m = on.shape
        self._rows = rows
        self._given = t, rows, on, off
        best_on, best_off = np.array(on), np.full((n, m), -1e18)
        self._from_on = np.full((n, m), -1)
        self._from_off = np.full((n, m), -1)
        columns = np.arange(m)
        for i in range(n):
            before = np.flatnonzero((t[i] - t >= SHORTEST_S) & (t[i] - t <= LONGEST_S))
            if not before.size:
                continue
            which = best_off[before].argmax(axis=0)
            gain = best_off[before[which], columns]
            better = gain > 0.0
            best_on[i] += np.where(better, gain, 0.0)
            self._from_on[i] = np.where(better, before[which], -1)
            before = before[[_free(int(rows[j]), int(rows[i]), taken) for j in before]]
            if not before.size:
                continue
            which = best_on[before].argmax(axis=0)
            best_off[i] = best_on[before[which], columns] + off[i]
            self._from_off[i] = before[which]
        self._ends = best_off
        self.total = best_off.max(axis=0)

    def kept_off(self, taken: Sequence[tuple[int, int]]) -> _Walk:
        """The same search, the load being on elsewhere between some rows."""
        return _Walk(*self._given, taken)

    def by_size(self, grid: _Grid) -> Real:
        """Best score at each size of the response, 0 where nothing is believed."""
        out = np.zeros(grid.sizes.size)
        np.maximum.at(out, grid.which, np.minimum(self.total, MOST_SCORE))
        return np.where(out >= BELIEVED, out, 0.0)

    def path(self, grid: _Grid, common: int) -> _Path | None:
        """The path at the common size of the load, else at any ratio; None if not believed."""
        near = np.abs(grid.which - common) <= 1
        price = np.where(near, 0.0, RATIO_PRICE)
        score = self.total - price
        believed = near & (self.total >= BELIEVED)
        column = int(np.where(believed if believed.any() else True, score, -1e18).argmax())
        if score[column] < BELIEVED:
            return None
        at = int(self._ends[:, column].argmax())
        found: list[tuple[int, bool]] = []
        is_on = False
        while at >= 0:
            found.append((int(self._rows[at]), is_on))
            at = int(self._from_on[at, column] if is_on else self._from_off[at, column])
            is_on = not is_on
        found.reverse()
        turned = (grid.turns - grid.turns[column]) % grid.directions == grid.directions // 2
        turned &= np.abs(grid.which - grid.which[column]) <= 2
        lead = float(self.total[column]) - max(0.0, float(self.total[turned].max()))
        return _Path(tuple(found), bool(near[column]), lead)


def _searched(samples: Samples, one: InputSamples, grid: _Grid, power_w: float) -> _Walk | None:
    """Search one input; None where it never moves by a good part of the load."""
    apparent = np.abs(samples.differences(one.power))
    size = np.where(np.isfinite(apparent), apparent, 0.0)
    rows = np.flatnonzero(size >= SMALLEST * 0.8 * power_w)
    if rows.size < 2:
        return None
    if rows.size > MOST_CANDIDATES:
        # Too restless for small ratios: keep the steps of about the load's own size.
        near = np.abs(np.log(size[rows] / power_w))
        rows = np.sort(rows[np.argsort(near)[:MOST_CANDIDATES]])
    wide = np.maximum(np.abs(grid.answers) / power_w, 1.0)
    d = samples.power_differences(one)
    answers = grid.answers if one.has_q else grid.answers.real
    shown = d[rows]
    calm = d[size < SMALLEST * 0.8 * power_w]
    scale = core_scale(calm, one.power_step, 3.0)
    # Every large step may be the load's, so the house is what is left, and a wide tail.
    plain = StepDensity(calm, scale)
    fuzzy = StepDensity(calm, math.hypot(scale, 0.1 * power_w))
    base = plain.log(shown)[:, None] + (2 if one.has_q else 1) * np.log(wide) + SWITCH_PRICE
    on = fuzzy.log((shown[:, None] - answers) / wide) - base
    off = fuzzy.log((shown[:, None] + answers) / wide) - base
    return _Walk(samples.t_s[rows], rows, on, off)
