"""Energy counters of a meter.

Two ways to make a total are in use: vectorial (the sum of the phases is integrated, only one of the
two totals moves at a time) and arithmetic (each phase counts by itself). Import minus export is the
same in both.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from busprobe_sim.site.demand import PHASES


class Counters:
    """Import and export of a meter, in total and per phase [Wh].

    Args:
        netting: How the totals are made.
        start_wh: Import of L1..L3, then export of L1..L3, at the start [Wh].
    """

    def __init__(
        self, netting: Literal["vectorial", "arithmetic"], start_wh: Sequence[float]
    ) -> None:
        self._netting = netting
        self._imported = list(start_wh[:3])
        self._exported = list(start_wh[3:])
        self._total_imported = sum(self._imported)
        self._total_exported = sum(self._exported)
        self.refreshes = 0

    def add(self, power_w: Sequence[float], hours: float, refreshes: int = 1) -> None:
        """Count an interval.

        Args:
            power_w: Power of each phase, import positive [W].
            hours: Length of the interval [h].
            refreshes: How many refreshes of the meter it spans.
        """
        self.refreshes += refreshes
        total = sum(power_w)
        for k, watts in enumerate(power_w):
            self._imported[k] += max(watts, 0.0) * hours
            self._exported[k] += max(-watts, 0.0) * hours
        if self._netting == "vectorial":
            self._total_imported += max(total, 0.0) * hours
            self._total_exported += max(-total, 0.0) * hours
        else:
            self._total_imported += sum(max(watts, 0.0) for watts in power_w) * hours
            self._total_exported += sum(max(-watts, 0.0) for watts in power_w) * hours

    def shown(self) -> dict[str, float]:
        """Counts by quantity name [Wh]."""
        found = {"E_import": self._total_imported, "E_export": self._total_exported}
        for k, phase in enumerate(PHASES):
            found[f"E_import_{phase}"] = self._imported[k]
            found[f"E_export_{phase}"] = self._exported[k]
        return found
