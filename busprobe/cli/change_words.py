"""From a change, or a separation, to the parts of its document."""

from __future__ import annotations

from busprobe.cli.convert import settings_part
from busprobe.cli.documents_change import ReaddressResult, WrittenPart
from busprobe.procedures.change_address import ChangePlan, ChangeResult, PlannedWrite, Written
from busprobe.session.values import SeparationResult


def change_result(
    plan: ChangePlan, result: ChangeResult | None, text: str, confirmed_by: str = ""
) -> ReaddressResult:
    """A change as it ended, or as it is planned.

    Args:
        plan: What was planned.
        result: How it ended, None where nothing was written.
        text: What to say where nothing was written.
        confirmed_by: Who confirmed it and how.
    """
    made = () if result is None else result.written
    done = [m.write for m in made]
    writes = [_part(m.write, m) for m in made]
    writes += [_part(w, None) for w in plan.writes if w not in done]
    return ReaddressResult.model_validate(
        {
            "address": plan.device.address,
            "new_address": plan.new_address,
            "state": "planned" if result is None else result.state.value,
            "answers_at": plan.device.address if result is None else result.address,
            "settings": settings_part(plan.settings),
            "new_settings": settings_part(plan.new_settings),
            "answers_settings": settings_part(plan.settings if result is None else result.settings),
            "serial": plan.device.identity.serial,
            "confirmed_by": confirmed_by,
            "profile": plan.profile,
            "text": text if result is None else result.text,
            "writes": writes,
        }
    )


def _part(write: PlannedWrite, made: Written | None) -> WrittenPart:
    return WrittenPart.model_validate(
        {
            "register": write.register,
            "value": write.value,
            "purpose": write.purpose,
            "before": write.before,
            "sent_to": None if made is None else made.address,
            "exchange": None if made is None else made.exchange,
            "outcome": None if made is None else made.outcome,
        }
    )


def separation_result(result: SeparationResult) -> ReaddressResult:
    """A separation as it ended; where it did not come to a plan nothing was written."""
    separation = {
        "stage": result.stage.value,
        "text": result.text,
        "serials": list(result.serials),
        "meters": [
            {
                "address": meter.device.address,
                "settings": settings_part(meter.settings),
                "name": str(meter.device.identity),
                "serial": meter.device.identity.serial,
                "changed": meter.changed,
                "label": meter.label,
            }
            for meter in result.meters
        ],
    }
    told = [
        change_result(plan, change, "Nothing was written.", by).model_dump(by_alias=True)
        for plan, change, by in result.changes
    ]
    if told:
        # With more than two meters: the first change, and the writes of all.
        change = told[0]
        change["writes"] = [write for one in told for write in one["writes"]]
    else:
        change = {
            "address": result.address,
            "new_address": None,
            "state": "unchanged",
            "answers_at": result.address,
            "settings": None,
            "new_settings": None,
            "answers_settings": None,
            "serial": "",
            "confirmed_by": "",
            "profile": "",
            "text": "Nothing was written.",
            "writes": [],
        }
    return ReaddressResult.model_validate({**change, "separation": separation})
