"""From the values of the core to the parts of the documents."""

from __future__ import annotations

from busprobe.cli import documents as doc
from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.diagnosis.wiring import WiringDiagnosis
from busprobe.model.device import Device, Identity
from busprobe.model.line import LineSettings
from busprobe.model.reading import SignConvention
from busprobe.procedures.read_meters import DeviceReadings
from busprobe.session.job import Job
from busprobe.session.values import FindResult, FoundDevice


def settings_part(settings: LineSettings | None) -> doc.SettingsPart | None:
    """Line settings."""
    if settings is None:
        return None
    return doc.SettingsPart.model_validate(
        {"baud": settings.baud, "parity": settings.parity.value, "stop_bits": settings.stop_bits}
    )


def link_part(job: Job) -> doc.LinkPart:
    """The link of a job."""
    return doc.LinkPart.model_validate(
        {
            "argument": job.endpoint.argument,
            "kind": job.endpoint.kind.value,
            "settings": settings_part(job.bus.settings),
        }
    )


def identity_part(identity: Identity) -> doc.IdentityPart:
    """Who a device is."""
    return doc.IdentityPart.model_validate(
        {
            "maker": identity.maker,
            "model": identity.model,
            "version": identity.version,
            "serial": identity.serial,
            "source": identity.source,
        }
    )


def device_part(found: FoundDevice, host: str | None = None) -> doc.DevicePart:
    """A device that was found."""
    device: Device = found.device
    sunspec = device.sunspec
    return doc.DevicePart.model_validate(
        {
            "address": device.address,
            "identity": identity_part(device.identity),
            "sunspec": None
            if sunspec is None
            else doc.SunSpecPart(
                base=sunspec.base,
                models=[doc.ModelPart(id=b.model_id, length=b.length) for b in sunspec.models],
            ),
            "profile": device.profile,
            "duplicate": device.duplicate,
            "turnaround_ms": doc.TurnAroundPart(
                median=device.turnaround.median_ms, p95=device.turnaround.p95_ms
            ),
            "functions": list(device.functions),
            "settings": settings_part(found.settings),
            "host": host,
        }
    )


def scan_result(found: FindResult, host: str | None = None) -> doc.ScanResult:
    """Result of a search."""
    return doc.ScanResult(
        devices=[device_part(device, host) for device in found.devices],
        silent=list(found.silent),
        searched=doc.SearchedPart(
            addresses=sorted(found.addresses),
            settings=[part for s in found.settings if (part := settings_part(s)) is not None],
            silent_ms=found.silent_ms,
        ),
    )


_TURNED = ("P", "Q")


def read_result(readings: DeviceReadings) -> doc.ReadResult:
    """Result of reading a device; powers are turned to import positive where the sign is known."""
    sign = readings.snapshot.sign
    turn = sign is SignConvention.EXPORT_POSITIVE
    quantities = {
        name: -value if turn and name.split("_")[0] in _TURNED else value
        for name, value in readings.snapshot.quantities.items()
    }
    text = {
        SignConvention.IMPORT_POSITIVE: "The meter counts import as positive by its own counters.",
        SignConvention.EXPORT_POSITIVE: (
            "The meter counts export as positive by its own counters; turned here."
        ),
        SignConvention.UNKNOWN: (
            "The published models state no sign for power: quantities stand as the meter gives "
            "them until its counters or a known load have shown which way is import."
        ),
    }[sign]
    return doc.ReadResult(
        address=readings.device.address,
        identity=identity_part(readings.device.identity),
        models=[
            doc.ReadModelPart(
                id=block.block.model_id if block.block is not None else None,
                name=block.name,
                address=block.block.address if block.block is not None else 0,
                length=block.block.length if block.block is not None else 0,
                points={
                    r.name: doc.PointPart.model_validate(
                        {
                            "value": r.value,
                            "unit": r.unit,
                            "raw": list(r.raw),
                            "state": r.state.value,
                        }
                    )
                    for r in block.readings
                },
            )
            for block in readings.blocks
        ],
        quantities=quantities,
        sign=doc.SignPart.model_validate(
            {
                "convention": sign.value,
                "applied": sign is not SignConvention.UNKNOWN,
                "text": text,
            }
        ),
    )


def duplicate_part(verdict: DuplicateVerdict, bus_time_s: float) -> doc.DuplicatePart:
    """Verdict at one address."""
    return doc.DuplicatePart.model_validate(
        {
            "address": verdict.address,
            "verdict": verdict.verdict,
            "probability": verdict.probability,
            "exchanges": verdict.exchanges,
            "bus_time_s": round(bus_time_s, 6),
            "serials": list(verdict.serials),
        }
    )


def wiring_result(address: int | None, diagnosis: WiringDiagnosis) -> doc.WiringResult:
    """Result of a wiring check."""
    return doc.WiringResult.model_validate(
        {
            "address": address,
            "verdict": diagnosis.verdict.value,
            "probability": diagnosis.probability,
            "explanations": [
                {
                    "probability": e.probability,
                    "cts": [
                        {
                            "input": c.input,
                            "conductor": c.conductor,
                            "direction": c.direction,
                            "ratio": c.ratio,
                        }
                        for c in e.cts
                    ],
                    "voltages": [{"input": v.input, "conductor": v.conductor} for v in e.voltages],
                    "neutral": e.neutral,
                    "remedy": e.remedy,
                }
                for e in diagnosis.explanations
            ],
            "sign": diagnosis.sign,
            "not_identifiable": list(diagnosis.not_identifiable),
            "next_experiment": diagnosis.next_experiment,
            "steps": [
                {
                    "t": s.t_s,
                    "conductor": s.conductor,
                    "dP": list(s.dp_w),
                    "dQ": list(s.dq_var),
                }
                for s in diagnosis.steps
            ],
        }
    )
