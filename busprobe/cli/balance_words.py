"""The energy balance as a document and in words."""

from __future__ import annotations

from busprobe.cli import output, words
from busprobe.cli.documents_energy import BalanceResult
from busprobe.diagnosis.balance import BalanceDiagnosis, MeterBalance


def balance_result(diagnosis: BalanceDiagnosis, addresses: dict[str, int]) -> BalanceResult:
    """Result of the command."""
    return BalanceResult.model_validate(
        {
            "verdict": diagnosis.verdict.value,
            "probability": diagnosis.probability,
            "meters": [_meter_part(m, addresses.get(m.name)) for m in diagnosis.meters],
            "residual_w": diagnosis.residual_w,
            "residual_uncertainty_w": diagnosis.residual_uncertainty_w,
            "residual_as_wired_w": diagnosis.residual_as_wired_w,
            "lowest_residual_w": diagnosis.lowest_residual_w,
            "duration_s": diagnosis.duration_s,
            "not_identifiable": list(diagnosis.not_identifiable),
            "next_experiment": diagnosis.next_experiment,
        }
    )


def _meter_part(meter: MeterBalance, address: int | None) -> dict[str, object]:
    counters = meter.counters
    return {
        "name": meter.name,
        "address": address,
        "role": meter.role.value,
        "sign": meter.sign.value,
        "ratio": meter.ratio,
        "phases": list(meter.phases),
        "probability": meter.probability,
        "place": meter.place.value,
        "behind": meter.behind or None,
        "decided": meter.decided,
        "mean_w": meter.mean_w,
        "true_w": meter.true_w,
        "inputs": [
            {
                "input": i.input,
                "phase": i.phase,
                "sign": i.sign.value,
                "ratio": i.ratio,
                "estimate": i.estimate,
                "uncertainty": i.uncertainty,
                "wrong_phase": i.wrong_phase,
                "dead": i.dead,
                "probability": i.probability,
            }
            for i in meter.inputs
        ],
        "counters": None
        if counters is None
        else {
            "integrated_wh": counters.integrated_wh,
            "counted_wh": counters.counted_wh,
            "uncertainty_wh": counters.uncertainty_wh,
            "agrees": counters.agrees,
        },
    }


def show_balance(result: BalanceResult) -> None:
    """Print the verdict, the meters, and what stays open."""
    output.line()
    output.line(
        f"Energy balance: {result.verdict.upper()}"
        f"{words.with_probability(result.verdict, result.probability)}"
    )
    output.line()
    words.table(
        ("meter", "role", "shows/W", "true/W", "sign", "ratio", "phases", "sure", "where"),
        [
            (
                m.name,
                m.role,
                f"{m.mean_w:.0f}",
                "?" if m.true_w is None else f"{m.true_w:.0f}",
                m.sign,
                "?" if m.ratio is None else f"{m.ratio:g}",
                " ".join(m.phases) or "?",
                f"{100 * m.probability:.2f} %",
                m.place.replace("-", " ") + (f" ({m.behind})" if m.behind else ""),
            )
            for m in result.meters
        ],
        right=(2, 3, 5, 7),
    )
    if result.residual_w is not None and result.residual_uncertainty_w is not None:
        output.line()
        output.line(
            f"Rest of the house, no meter of its own: {result.residual_w:.0f} W, give or take "
            f"{result.residual_uncertainty_w:.0f} W, over {result.duration_s:.0f} s"
            + (
                ""
                if result.residual_as_wired_w is None
                else f" ({result.residual_as_wired_w:.0f} W as wired)"
            )
            + "."
        )
    for text in result.not_identifiable:
        words.paragraph("open", text)
    if result.next_experiment:
        words.paragraph("next", result.next_experiment)
