"""What a meter of a class shows: gain and angle errors, noise, starting current, refresh.

Rules:

1. A register group (voltages, currents, powers, reactive powers) is refreshed once per interval,
   each group at its own instant within it; between two refreshes its values stand still.
2. Totals are the sums of the phase values shown, so that sums add up.
3. S, PF and the total current belong to the group they are computed from.
4. Counters integrate the power shown, refresh by refresh, from the start of the clock. What lies
   more than an hour (of refreshes of 1 s) back when a meter is read again is integrated in steps of
   60 refreshes, so that a bus that ran for days answers at once.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, field
from typing import Literal

from busprobe_sim.site.chance import Chance
from busprobe_sim.site.circuit import Site
from busprobe_sim.site.demand import PHASES
from busprobe_sim.site.energy import Counters
from busprobe_sim.site.wiring import MeterWiring, seen_currents, seen_voltages

Positive = Literal["import", "export"]
_FINE_REFRESHES = 3600
_COARSE = 60
_GROUPS = ("V", "I", "P", "Q")
LINE_PAIRS = ("L1L2", "L2L3", "L3L1")


@dataclass(frozen=True, slots=True)
class InstrumentParameters:
    """Quality and habits of a meter.

    Attributes:
        wiring: How it is connected.
        positive: Which direction it shows with a positive sign; counters keep their direction.
        accuracy_class: Class index [percent]; gains scatter with 0.4 of it as standard deviation.
        noise: Whether readings are noisy (1 W and 0.1 %, 20 mV, 1 mA and 0.1 %).
        starting_a: Below this current it shows nothing [A]; IEC 62053-21 asks class 1 to start
            at 0.4 % of the basic current (from memory), 20 mA for 5 A.
        refresh_s: Refresh interval of the registers [s].
        skewed: Whether the groups are refreshed at different instants.
        netting: "vectorial" totals count the sum of the phases, "arithmetic" each phase by itself.
    """

    wiring: MeterWiring = field(default_factory=MeterWiring)
    positive: Positive = "import"
    accuracy_class: float = 1.0
    noise: bool = True
    starting_a: float = 0.02
    refresh_s: float = 1.0
    skewed: bool = True
    netting: Literal["vectorial", "arithmetic"] = "vectorial"


@dataclass(frozen=True, slots=True)
class _Shown:
    """Phase values of one instant, as the meter computes them."""

    volts: tuple[complex, ...]
    amps: tuple[float, ...]
    power_va: tuple[complex, ...]
    hertz: float


class Instrument:
    """A meter at a measuring point of a site, before its registers.

    Args:
        site: The site.
        point: Name of the measuring point.
        parameters: Quality and habits.
        seed: Seed of the bus.
        name: Name of the device; two devices of one seed have other errors.
    """

    def __init__(
        self, site: Site, point: str, parameters: InstrumentParameters, seed: int, name: str
    ) -> None:
        self.parameters = parameters
        self._site = site
        self._point = point
        self._errors = Chance(seed, f"errors/{name}")
        self._noise = Chance(seed, f"noise/{name}")
        self._refresh_ns = round(parameters.refresh_s * 1e9)
        self._offsets_ns = {
            group: int(self._errors.uniform(0, 20 + i) * self._refresh_ns)
            if parameters.skewed
            else 0
            for i, group in enumerate(_GROUPS)
        }
        # Voltage and current path share the class error of the power.
        spread = 0.4 * parameters.accuracy_class / 100.0 / math.sqrt(2.0)
        self._gain_v = tuple(1.0 + spread * self._errors.normal(1, k) for k in range(3))
        self._gain_i = tuple(1.0 + spread * self._errors.normal(2, k) for k in range(3))
        self._angle_share = tuple(
            parameters.accuracy_class * self._errors.between(-1.0, 1.0, 3, k) for k in range(3)
        )
        self._known: dict[int, _Shown] = {}
        self._counters = Counters(
            parameters.netting, [self._errors.between(1e5, 9e6, 4, k) for k in range(6)]
        )

    def readings(self, now_ns: int) -> dict[str, float]:
        """Everything the meter shows at an instant, by quantity name (V, A, W, var, VA, Hz, Wh)."""
        shown: dict[str, float] = {}
        sign = 1.0 if self.parameters.positive == "import" else -1.0
        self._add_voltages(shown, self._at("V", now_ns))
        amps = self._at("I", now_ns).amps
        active = [sign * s.real for s in self._at("P", now_ns).power_va]
        reactive = [sign * s.imag for s in self._at("Q", now_ns).power_va]
        apparent = [math.hypot(p, q) for p, q in zip(active, reactive, strict=True)]
        for k, phase in enumerate(PHASES):
            shown[f"I_{phase}"] = amps[k]
            shown[f"P_{phase}"] = active[k]
            shown[f"Q_{phase}"] = reactive[k]
            shown[f"S_{phase}"] = apparent[k]
            shown[f"PF_{phase}"] = active[k] / apparent[k] if apparent[k] else 1.0
        shown["I"] = sum(amps)
        shown["P"] = sum(active)
        shown["Q"] = sum(reactive)
        shown["S"] = math.hypot(shown["P"], shown["Q"])
        shown["PF"] = shown["P"] / shown["S"] if shown["S"] else 1.0
        shown.update(self._energies(now_ns))
        return shown

    def _add_voltages(self, shown: dict[str, float], at: _Shown) -> None:
        for k, phase in enumerate(PHASES):
            shown[f"V_{phase}"] = abs(at.volts[k])
            shown[f"V_{LINE_PAIRS[k]}"] = abs(at.volts[k] - at.volts[(k + 1) % 3])
        shown["V"] = sum(shown[f"V_{phase}"] for phase in PHASES) / 3.0
        shown["VLL"] = sum(shown[f"V_{pair}"] for pair in LINE_PAIRS) / 3.0
        shown["F"] = at.hertz

    def _instant(self, group: str, now_ns: int) -> int:
        """The latest refresh of a group at or before an instant [ns]."""
        offset = self._offsets_ns[group]
        return (now_ns - offset) // self._refresh_ns * self._refresh_ns + offset

    def _at(self, group: str, now_ns: int) -> _Shown:
        t_ns = self._instant(group, now_ns)
        found = self._known.get(t_ns)
        if found is None:
            found = self._measure(t_ns)
            if len(self._known) >= 16:
                self._known.clear()
            self._known[t_ns] = found
        return found

    def _measure(self, t_ns: int) -> _Shown:
        p = self.parameters
        state = self._site.state(t_ns)
        seen_v = seen_voltages(p.wiring, state.voltages)
        seen_i = seen_currents(p.wiring, state.currents[self._point])
        volts, amps, powers = [], [], []
        for k in range(3):
            voltage = seen_v[k] * self._gain_v[k]
            size = abs(seen_i[k])
            # IEC 61869-2 class 1: 180', 90', 60' at 5, 20, 100 % of the rated current.
            degrees = self._angle_share[k] * (1.0 + 2.0 / (1.0 + size / 0.5))
            current = seen_i[k] * self._gain_i[k] * cmath.rect(1.0, math.radians(degrees))
            if size < p.starting_a:
                current = 0j
            power = voltage * current.conjugate()
            if p.noise:
                draw = [self._noise.normal(t_ns, 8 * k + j) for j in range(4)]
                size_v = abs(voltage)
                if size_v:
                    voltage *= 1.0 + 0.02 * draw[0] / size_v
                if current and size_v:
                    active = power.real + math.hypot(1.0, 0.001 * power.real) * draw[1]
                    other = power.imag + math.hypot(1.0, 0.001 * power.imag) * draw[2]
                    power = complex(active, other)
            amount = abs(current)
            if p.noise and amount:
                amount = max(0.0, amount + math.hypot(0.001, 0.001 * amount) * draw[3])
            volts.append(voltage)
            amps.append(amount)
            powers.append(power)
        return _Shown(tuple(volts), tuple(amps), tuple(powers), state.frequency_hz)

    def _energies(self, now_ns: int) -> dict[str, float]:
        """Bring the counters up to the latest refresh of the powers."""
        offset = self._offsets_ns["P"]
        latest = (now_ns - offset) // self._refresh_ns
        hours = self._refresh_ns / 3.6e12
        while (missing := latest - self._counters.refreshes) > 0:
            t_ns = self._counters.refreshes * self._refresh_ns + offset
            found = self._known.get(t_ns) or self._measure(t_ns)
            stride = 1 if missing <= _FINE_REFRESHES else _COARSE
            self._counters.add([s.real for s in found.power_va], stride * hours, stride)
        return self._counters.shown()
