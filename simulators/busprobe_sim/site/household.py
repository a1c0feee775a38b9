"""What a household (or a small farm) draws: base load, appliances, thermostats, motors.

The three presets are guesses of what is usual; they are not measured data.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

from busprobe_sim.site.chance import Chance
from busprobe_sim.site.demand import Demand

_SLOT_S = 60.0
_LONGEST_S = 1800.0
_INRUSH_S = 0.3


@dataclass(frozen=True, slots=True)
class Preset:
    """How busy a household is.

    Attributes:
        starts_per_min: Appliances switched on per minute and phase.
        flicker_w: Standard deviation of the restless part of the base load, roughly [W].
        cycling: Probability that a phase carries a thermostat or hob that cycles.
        motors_per_min: Three-phase motor starts per minute.
    """

    starts_per_min: float
    flicker_w: float
    cycling: float
    motors_per_min: float


PRESETS = {
    "off": Preset(0.0, 0.0, 0.0, 0.0),
    "quiet": Preset(0.03, 3.0, 0.05, 0.01),
    "normal": Preset(0.2, 10.0, 0.2, 0.05),
    "busy": Preset(1.0, 30.0, 0.5, 0.2),
}


@dataclass(frozen=True, slots=True)
class _Pulse:
    start_s: float
    end_s: float
    power_va: complex
    follows_voltage: bool
    motor: bool


class _Appliances:
    """Appliances of one phase (or three-phase motors): a Poisson process, minute by minute."""

    def __init__(self, chance: Chance, per_min: float, motors: bool) -> None:
        self._chance = chance
        self._per_min = per_min
        self._motors = motors
        self._active: dict[int, tuple[_Pulse, ...]] = {}

    def active(self, t_s: float) -> tuple[_Pulse, ...]:
        """Pulses that may be on in the minute of `t_s`."""
        if not self._per_min:
            return ()
        slot = math.floor(t_s / _SLOT_S)
        found = self._active.get(slot)
        if found is None:
            reach = math.ceil(_LONGEST_S / _SLOT_S)
            begin = slot * _SLOT_S
            found = tuple(
                pulse
                for j in range(slot - reach, slot + 1)
                for pulse in self._started(j)
                if pulse.end_s > begin
            )
            if len(self._active) > 64:
                self._active.clear()
            self._active[slot] = found
        return found

    def _started(self, slot: int) -> list[_Pulse]:
        chance = self._chance
        pulses = []
        for i in range(chance.poisson(self._per_min * _SLOT_S / 60.0, slot)):
            c = 16 * (i + 1)
            start = (slot + chance.uniform(slot, c)) * _SLOT_S
            kettle = chance.uniform(slot, c + 1) < 0.10
            length = 120.0 * math.exp(1.1 * chance.normal(slot, c + 2))
            kind = chance.uniform(slot, c + 6)
            if self._motors:
                power = complex(chance.between(150.0, 1000.0, slot, c + 7), 0.0)
                power = abs(power) * cmath.rect(1.0, math.acos(0.8)) / 0.8
            elif kettle:
                power = complex(chance.between(900.0, 2600.0, slot, c + 7))
            else:
                watts = min(3000.0, 120.0 * math.exp(1.0 * chance.normal(slot, c + 4)))
                degrees = 0.0
                if 0.5 <= kind < 0.9:
                    degrees = chance.between(5.0, 45.0, slot, c + 10)
                elif kind >= 0.9:
                    degrees = -chance.between(5.0, 45.0, slot, c + 10)
                power = complex(watts, watts * math.tan(math.radians(degrees)))
            end = start + min(_LONGEST_S, max(3.0, length))
            heats = power.imag == 0.0
            pulses.append(_Pulse(start, end, power, heats, self._motors))
        return pulses


class _Thermostat:
    """A hob or heater that switches itself on and off for ever."""

    def __init__(self, chance: Chance) -> None:
        self._chance = chance
        self._period_s = chance.between(4.0, 40.0, 0, 1)
        self._duty = chance.between(0.2, 0.8, 0, 2)
        self._power_w = chance.between(300.0, 2000.0, 0, 3)

    def power_w(self, t_s: float) -> float:
        cycle = math.floor(t_s / self._period_s)
        part = t_s / self._period_s - cycle
        duty = self._duty * self._chance.between(0.8, 1.2, cycle, 4)
        return self._power_w if part < duty else 0.0


class Household:
    """All unnamed consumption of a site.

    Args:
        preset: A key of `PRESETS`.
        base_w: Steady load of each phase [W].
        seed: Seed of the bus.
        nominal_v: Voltage line to neutral [V].
    """

    def __init__(self, preset: str, base_w: tuple[float, float, float], seed: int) -> None:
        self._preset = PRESETS[preset]
        self._base_w = base_w
        self._noise = Chance(seed, "household")
        self._phases = []
        self._thermostats: list[_Thermostat | None] = []
        for k in range(3):
            chance = Chance(seed, f"household/{k}")
            self._phases.append(_Appliances(chance, self._preset.starts_per_min, False))
            own = Chance(seed, f"thermostat/{k}")
            has_one = own.uniform(0) < self._preset.cycling
            self._thermostats.append(_Thermostat(own) if has_one else None)
        self._motors = _Appliances(Chance(seed, "motors"), self._preset.motors_per_min, True)

    def add_to(self, demand: Demand, t_s: float) -> None:
        """Add what is drawn at `t_s` [s]."""
        for k in range(3):
            # Two octaves of value noise stand for the usual mean-reverting flicker; a uniform
            # value has a standard deviation of 1/sqrt(3) of its peak.
            restless = self._noise.drift(t_s, 30.0, k) + self._noise.drift(t_s, 2.0, 3 + k)
            watts = max(0.0, self._base_w[k] + self._preset.flicker_w * 1.2 * restless)
            demand.add(k, complex(watts, 0.25 * watts), False)
            for pulse in self._phases[k].active(t_s):
                if pulse.start_s <= t_s < pulse.end_s:
                    demand.add(k, pulse.power_va, pulse.follows_voltage)
            thermostat = self._thermostats[k]
            if thermostat is not None:
                demand.add(k, complex(thermostat.power_w(t_s)), True)
        for pulse in self._motors.active(t_s):
            if pulse.start_s <= t_s < pulse.end_s:
                power = pulse.power_va
                if t_s - pulse.start_s < _INRUSH_S:
                    # A direct start draws about five times the current at a poor power factor
                    # (common practice, no source).
                    power = 5.0 * abs(power) * cmath.rect(1.0, math.acos(0.35))
                for k in range(3):
                    demand.add(k, power, False)
