"""The balance while the meters are being read."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from busprobe.diagnosis.balance.diagnose import diagnose_balance
from busprobe.diagnosis.balance.types import (
    BalanceDiagnosis,
    BalanceVerdict,
    CurtailMark,
    MeterRole,
)
from busprobe.model.series import Series

# When it is sure enough to stop.
SURE = 0.999
# Every verdict is reached twice: at the end of two stretches of readings so far apart [s].
TWICE_S = 12.0


@dataclass
class _Rows:
    t_s: list[float] = field(default_factory=list)
    columns: dict[str, list[float | None]] = field(default_factory=dict)
    steps: dict[str, float] = field(default_factory=dict)


class BalanceWatch:
    """Collects readings of all meters and says at any time what they mean.

    Args:
        roles: What each meter is said to measure, by name.
    """

    def __init__(self, roles: Mapping[str, MeterRole]) -> None:
        self._roles = dict(roles)
        self._rows = {name: _Rows() for name in roles}
        self._marks: list[CurtailMark] = []
        self._known: tuple[int, int, BalanceDiagnosis] | None = None
        self._first_sure_s: float | None = None

    def add(
        self,
        name: str,
        t_s: float,
        quantities: Mapping[str, float],
        steps: Mapping[str, float] | None = None,
    ) -> None:
        """Take one reading of one meter; a time that does not go forward is left out.

        Args:
            name: The meter.
            t_s: When it was read [s].
            quantities: Values by quantity name, as the meter signs them.
            steps: Register steps by quantity name, where known.
        """
        rows = self._rows[name]
        if not math.isfinite(t_s) or (rows.t_s and t_s <= rows.t_s[-1]):
            return
        count = len(rows.t_s)
        rows.t_s.append(t_s)
        for quantity in quantities:
            rows.columns.setdefault(quantity, [None] * count)
        for quantity, values in rows.columns.items():
            values.append(quantities.get(quantity))
        rows.steps.update(steps or {})

    def commanded(self, mark: CurtailMark) -> None:
        """A source was held back or set free."""
        self._marks.append(mark)

    @property
    def series(self) -> dict[str, Series]:
        """Everything so far, by name of the meter."""
        return {
            name: Series(
                tuple(rows.t_s), {q: tuple(v) for q, v in rows.columns.items()}, (), rows.steps
            )
            for name, rows in self._rows.items()
        }

    @property
    def marks(self) -> tuple[CurtailMark, ...]:
        """What was commanded so far."""
        return tuple(self._marks)

    def diagnosis(self) -> BalanceDiagnosis:
        """The verdict so far; computed again only when something was added."""
        readings = sum(len(rows.t_s) for rows in self._rows.values())
        if self._known is None or self._known[:2] != (readings, len(self._marks)):
            found = diagnose_balance(self.series, self._roles, curtailed=self._marks)
            self._known = (readings, len(self._marks), found)
            self._note(found)
        return self._known[2]

    def _note(self, found: BalanceDiagnosis) -> None:
        sure = (
            found.verdict in (BalanceVerdict.CORRECT, BalanceVerdict.FAULT)
            and found.probability >= SURE
            and all(m.probability >= SURE or not m.inputs for m in found.meters)
        )
        if not sure:
            self._first_sure_s = None
        elif self._first_sure_s is None:
            self._first_sure_s = found.duration_s

    @property
    def sure(self) -> bool:
        """Whether reading on would change nothing: every meter is decided, and was before."""
        found = self.diagnosis()
        return self._first_sure_s is not None and (found.duration_s >= self._first_sure_s + TWICE_S)
