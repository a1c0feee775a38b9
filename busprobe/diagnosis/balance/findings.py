"""The balance as findings, through the catalogue."""

from __future__ import annotations

from collections.abc import Mapping

from busprobe.diagnosis.balance.types import (
    BalanceDiagnosis,
    BalanceVerdict,
    CounterCheck,
    InputBalance,
    MeterBalance,
    Place,
    Role,
    Sign,
)
from busprobe.diagnosis.catalogue import finding
from busprobe.model.finding import Evidence, Finding, certainty

MOST_OPEN = 4
UNMETERED = 0.5


def balance_findings(
    diagnosis: BalanceDiagnosis,
    addresses: Mapping[str, int] | None = None,
    devices: Mapping[str, str] | None = None,
) -> tuple[Finding, ...]:
    """Findings, one for each thing that has to be changed.

    Args:
        diagnosis: The verdict.
        addresses: Address of each meter by name; none for a recorded series.
        devices: Text that names each device, already made safe.
    """
    told = _Teller(diagnosis, addresses or {}, devices or {})
    found: list[Finding] = []
    for meter in diagnosis.meters:
        if meter.decided:
            found += told.meter(meter)
        if meter.counters is not None and meter.counters.agrees is False:
            found.append(told.counters(meter, meter.counters))
    if diagnosis.unmetered_source > UNMETERED:
        found.append(told.unmetered())
    if diagnosis.verdict is BalanceVerdict.CORRECT:
        found.append(told.correct())
    elif diagnosis.verdict is BalanceVerdict.AMBIGUOUS:
        found.append(told.open("balance-ambiguous"))
    elif diagnosis.verdict is BalanceVerdict.UNDECIDED:
        found.append(told.open("balance-undecided"))
    return tuple(found)


class _Teller:
    def __init__(
        self,
        diagnosis: BalanceDiagnosis,
        addresses: Mapping[str, int],
        devices: Mapping[str, str],
    ) -> None:
        self._diagnosis = diagnosis
        self._addresses, self._devices = addresses, devices

    def _make(self, code: str, meter: MeterBalance, probability: float, **facts: object) -> Finding:
        return finding(
            code,
            probability=probability,
            evidence=self._evidence(meter),
            address=self._addresses.get(meter.name),
            device=self._devices.get(meter.name),
            name=meter.name,
            **facts,
        )

    def _evidence(self, meter: MeterBalance) -> tuple[Evidence, ...]:
        d = self._diagnosis
        lines = [
            f"over {_duration(d.duration_s)} {meter.name} showed {watts(meter.mean_w)} "
            "on the average"
        ]
        for one in meter.inputs:
            if one.estimate is not None and one.uncertainty is not None:
                lines.append(
                    f"input {one.input}: {one.estimate:+.2f} W shown per true watt by the feed-in "
                    f"meter, standard error {one.uncertainty:.2f}"
                )
        if d.residual_w is not None and d.residual_as_wired_w is not None:
            lines.append(
                f"import plus generation: {watts(d.residual_as_wired_w)} as wired, "
                f"{watts(d.residual_w)} with the faults put right"
            )
        return tuple(Evidence(None, line) for line in lines)

    def meter(self, meter: MeterBalance) -> list[Finding]:
        """What is wrong with one meter; empty where nothing is."""
        p = meter.probability
        if meter.place is Place.CONSUMER:
            why = (
                f"{meter.name} was said to measure a source, but what it measures draws power, and "
                "the feed-in meter agrees with that."
            )
            return [self._make("balance-wrong-role", meter, p, why=why)]
        if meter.place is Place.BEHIND_OTHER_METER:
            why = (
                f"When {meter.name} changes, {meter.behind} changes by the same, and the feed-in "
                "meter answers to that once."
            )
            return [self._make("balance-counted-twice", meter, p, why=why, outer=meter.behind)]
        if meter.place is Place.OTHER_SOURCE:
            who = meter.behind or "only the feed-in meter"
            why = (
                f"When the source of {meter.name} was held back and set free, {who} followed, and "
                f"{meter.name} did not."
            )
            return [self._make("balance-wrong-role", meter, p, why=why)]
        if meter.place is Place.NOT_IN_BALANCE:
            why = f"{meter.name} changed, and the feed-in meter did not answer to it."
            return [self._make("balance-outside", meter, p, why=why)]
        return self._inputs(meter)

    def _inputs(self, meter: MeterBalance) -> list[Finding]:
        found = []
        p = meter.probability
        why = self._why(meter)
        wrong = [i for i in meter.inputs if i.wrong_phase]
        half = [i for i in meter.inputs if i.wrong_phase is None and i.ratio is not None]
        dead = [i for i in meter.inputs if i.dead]
        rest = [i for i in meter.inputs if i not in (*wrong, *half, *dead)]
        if wrong:
            angle = f"{abs(wrong[0].angle_deg or 0.0):.0f} degrees"
            found.append(
                self._make("balance-wrong-phase", meter, p, inputs=_list(wrong), angle=angle)
            )
        if half:
            found.append(self._make("balance-shows-half", meter, p, why=why, inputs=_list(half)))
        if dead:
            found.append(self._make("balance-dead-input", meter, p, inputs=_list(dead)))
        reversed_ = [i for i in rest if i.sign is Sign.REVERSED]
        if reversed_ and len(reversed_) == len(meter.inputs):
            found.append(self._make("balance-meter-reversed", meter, p, why=why))
        elif reversed_:
            found.append(
                self._make("balance-input-reversed", meter, p, why=why, inputs=_list(reversed_))
            )
        scaled = [i for i in rest if i.ratio not in (None, 1.0)]
        if scaled and len(scaled) == len(meter.inputs) and len({i.ratio for i in scaled}) == 1:
            other = (
                "if all sources come out wrong by the same factor, it is the feed-in meter's."
                if len(self._diagnosis.meters) > 2
                else "a wrong ratio at the feed-in meter looks the same."
            )
            found.append(
                self._make(
                    "balance-wrong-ratio", meter, p, why=why, ratio=_ratio(scaled[0]), other=other
                )
            )
        else:
            found += [
                self._make(
                    "balance-input-ratio", meter, p, why=why, inputs=i.input, ratio=_ratio(i)
                )
                for i in scaled
            ]
        return found

    def _why(self, meter: MeterBalance) -> str:
        d = self._diagnosis
        if meter.role is Role.GRID:
            return "Only with its sign turned does the house draw power instead of giving it."
        if d.residual_as_wired_w is not None and d.residual_as_wired_w < 0:
            return (
                f"As wired the house would give {watts(-d.residual_as_wired_w)} instead of drawing "
                "it, and the feed-in meter answers to this meter the other way."
            )
        return f"The feed-in meter does not answer to {meter.name} as it should."

    def counters(self, meter: MeterBalance, check: CounterCheck) -> Finding:
        """Counters that do not follow the power."""
        return self._make(
            "balance-counters-differ",
            meter,
            0.99,
            duration=_duration(self._diagnosis.duration_s),
            integrated=f"{check.integrated_wh:.0f} Wh",
            counted=f"{check.counted_wh:.0f} Wh",
            ratio=f"{abs(check.ratio or 0.0):.2g}",
        )

    def unmetered(self) -> Finding:
        """A house that gives."""
        d = self._diagnosis
        return self._make(
            "balance-unmetered-source",
            d.meters[0],
            d.unmetered_source,
            lowest=watts(d.lowest_residual_w or 0.0),
        )

    def correct(self) -> Finding:
        """Nothing wrong."""
        d = self._diagnosis
        names = ", ".join(m.name for m in d.meters)
        return finding(
            "balance-correct",
            probability=d.probability,
            evidence=[e for m in d.meters[1:] for e in self._evidence(m)[:-1]],
            names=names,
            residual=f"{watts(d.residual_w or 0.0)} +- {watts(d.residual_uncertainty_w or 0.0)}",
        )

    def open(self, code: str) -> Finding:
        """What stays open."""
        d = self._diagnosis
        why = " ".join(d.not_identifiable[:MOST_OPEN]) or "The evidence is too thin for a verdict."
        choices = "; ".join(
            f"{m.name}: {m.sign}, ratio {'open' if m.ratio is None else f'{m.ratio:g}'}, "
            f"{certainty(m.probability)} sure"
            for m in d.meters
        )
        return finding(
            code,
            probability=d.probability,
            evidence=[e for m in d.meters[1:] for e in self._evidence(m)],
            why=why,
            choices=choices + ".",
            experiment=d.next_experiment or "Read on for some minutes.",
        )


def _list(inputs: list[InputBalance]) -> str:
    return ", ".join(i.input for i in inputs)


def _ratio(one: InputBalance) -> str:
    return f"{one.ratio:g}" if one.ratio is not None else "?"


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def watts(value: float) -> str:
    """A power in words: "850 W", "5.5 kW"."""
    return f"{value:.0f} W" if abs(value) < 1000 else f"{value / 1000:.3g} kW"
