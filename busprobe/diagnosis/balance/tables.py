"""Likelihoods by phase of the feed-in meter, each computed once.

What a combination of states does on one phase depends only on which input of each source feeds it
and with which factor; many combinations share that, so they are numbered and looked up.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busprobe.diagnosis.balance import levels
from busprobe.diagnosis.balance.evidence import GAIN_SHARE, NOISE_W, Evidence
from busprobe.diagnosis.balance.likelihood import Real, log_marginal
from busprobe.diagnosis.balance.states import State

Index = NDArray[np.int64]
# So many means of a level [combination x block] are kept in memory at once.
_CHUNK = 4_000_000


class Tables:
    """Likelihoods of combinations of states.

    Args:
        evidence: All readings.
        states: The states of each source.
        loop: Whether one of the sources holds the grid at zero. What it gives then follows the
            house, and changes of the feed-in meter against it tell nothing of that meter's sign.
    """

    def __init__(
        self, evidence: Evidence, states: list[tuple[State, ...]], loop: bool = False
    ) -> None:
        self._evidence = evidence
        self._loop = loop
        self._count = len(evidence.site.phases)
        self._pairs: list[NDArray[np.float64]] = []
        self._ids: list[Index] = []
        for source, all_states in zip(evidence.sources, states, strict=True):
            fed = np.full((len(all_states), self._count, 2), (-1.0, 0.0))
            for n, state in enumerate(all_states):
                for k in source.counted:
                    fed[n, state.phases[k]] = k, state.factors[k]
            pairs, ids = np.unique(fed.reshape(-1, 2), axis=0, return_inverse=True)
            self._pairs.append(pairs)
            self._ids.append(np.reshape(ids, fed.shape[:2]).astype(np.int64))
        self._known: dict[tuple[int, int], dict[int, tuple[float, float]]] = {}

    def weigh(self, index: Index, signs: tuple[int, ...]) -> tuple[Real, Real]:
        """Log-likelihoods of the changes and of the levels.

        Args:
            index: State of each source [combination, source].
            signs: Sign of each phase of the feed-in meter.
        """
        changes = np.zeros(index.shape[0])
        level = np.zeros(index.shape[0])
        for p in range(self._count):
            code = np.zeros(index.shape[0], dtype=np.int64)
            for j, (pairs, ids) in enumerate(zip(self._pairs, self._ids, strict=True)):
                code = code * len(pairs) + ids[index[:, j], p]
            unique, first, back = np.unique(code, return_index=True, return_inverse=True)
            known = self._known.setdefault((p, signs[p]), {})
            missing = [n for n, c in enumerate(unique) if int(c) not in known]
            if missing:
                rows = [
                    pairs[ids[index[first[missing], j], p]]
                    for j, (pairs, ids) in enumerate(zip(self._pairs, self._ids, strict=True))
                ]
                a = self._changes(p, 1 if self._loop else signs[p], rows)
                b = self._levels(p, signs[p], rows)
                known.update(
                    (int(unique[n]), (float(x), float(y)))
                    for n, x, y in zip(missing, a, b, strict=True)
                )
            values = np.array([known[int(c)] for c in unique])
            changes += values[back, 0]
            level += values[back, 1]
        return changes, level

    def _changes(self, p: int, sign: int, rows: list[Real]) -> Real:
        """Regression on one phase; rows are (input or -1, factor) for each source."""
        e = self._evidence
        count = rows[0].shape[0]
        rest = np.repeat(sign * e.grid_change[p][None, :], count, axis=0)
        square = np.repeat(e.grid_error[p][None, :] ** 2 + NOISE_W**2, count, axis=0)
        for source, pair in zip(e.sources, rows, strict=True):
            place = pair[:, 0].astype(int)
            used, factor = (place >= 0)[:, None], pair[:, 1][:, None]
            change, error = source.change[place], source.error[place]
            rest = rest + np.where(used, factor * change, 0.0)
            # The same errors for every factor up to 1: else a meter that hardly moves would seem
            # to be absent, only because leaving it out leaves out its noise.
            grown = np.maximum(np.abs(factor), 1.0)
            own = grown**2 * (error**2 + (GAIN_SHARE * change) ** 2 + NOISE_W**2)
            square = square + np.where(used, own, 0.0)
        return log_marginal(rest, np.sqrt(square), e.habits[p])

    def _levels(self, p: int, sign: int, rows: list[Real]) -> Real:
        """How far below zero the house comes out on one phase."""
        grid = self._evidence.site.grid
        out = np.empty(rows[0].shape[0])
        size = max(1, _CHUNK // max(1, grid.power.shape[1]))
        for start in range(0, out.size, size):
            part = slice(start, start + size)
            shape = (out[part].size, grid.power.shape[1])
            house = np.broadcast_to(sign * grid.power[p], shape)
            slack = np.broadcast_to(
                levels.FLOOR_W + levels.CLASS_SHARE * np.abs(grid.power[p]) + 2 * grid.shift[p],
                shape,
            )
            for source, pair in zip(self._evidence.sources, rows, strict=True):
                place = pair[part, 0].astype(int)
                factor = np.where(place >= 0, pair[part, 1], 0.0)[:, None]
                given = factor * source.track.power[place]
                given = np.where(factor == 0.0, 0.0, given)
                house = house + given
                slack = slack + np.where(
                    factor == 0.0,
                    0.0,
                    levels.NOISE_W * np.abs(factor)
                    + levels.CLASS_SHARE * np.abs(given)
                    + 2 * np.abs(factor) * source.track.shift[place],
                )
            out[part] = levels.penalty(house, slack)
        return out
