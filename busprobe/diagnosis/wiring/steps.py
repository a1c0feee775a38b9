"""The steps of the known load as the meter saw them, for people to look at."""

from __future__ import annotations

import numpy as np

from busprobe.diagnosis.wiring.edges import Edge, Schedule
from busprobe.diagnosis.wiring.samples import Complex, Samples
from busprobe.diagnosis.wiring.types import LoadStep


def load_steps(
    samples: Samples, schedule: Schedule, loads: tuple[str, ...]
) -> tuple[LoadStep, ...]:
    """Each switching at the instant at which the inputs moved most, on positive."""
    out = []
    d = [samples.differences(one.power) for one in samples.inputs]
    for edge in schedule.edges:
        where = _instant(d, edge)
        if where is None:
            continue
        sign = 1.0 if edge.on else -1.0
        steps = [complex(x[where]) * sign for x in d]
        out.append(
            LoadStep(
                t_s=float(samples.t_s[where + samples.lag]),
                conductor=loads[edge.test],
                dp_w=tuple(round(s.real, 3) for s in steps),
                dq_var=tuple(round(s.imag, 3) for s in steps)
                if all(one.has_q for one in samples.inputs)
                else (),
            )
        )
    return tuple(out)


def _instant(d: list[Complex], edge: Edge) -> int | None:
    """First row of the largest difference of an edge."""
    total = np.sum([np.abs(x[edge.pairs]) for x in d], axis=0)
    if not np.isfinite(total).any():
        return None
    return int(edge.pairs[int(np.nanargmax(total))])
