"""What a device measures: every point of its map, and the uniform quantities."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial

from busprobe.bus.bus import Bus
from busprobe.model.device import Device, ModelBlock
from busprobe.model.exchange import Exchange
from busprobe.model.reading import Reading, SignConvention, Snapshot
from busprobe.procedures.asking import Asker, NoRegisters
from busprobe.profiles.blocks import image_of, model_reads
from busprobe.profiles.decode import decode_block
from busprobe.profiles.definitions import HEADER_REGISTERS, model_definition
from busprobe.profiles.reads import MOST_REGISTERS, RegisterRead
from busprobe.profiles.registers import decode_profile, profile_reads, uniform_profile
from busprobe.profiles.schema import DeviceProfile
from busprobe.profiles.uniform import (
    SignEvidence,
    Uniform,
    best_measuring_block,
    sign_from_counters,
    uniform,
)

# Firmware has been seen to cap reads at 20 to 50 registers (libmodbus #664); below this a refusal
# has another reason.
_SHORTEST_PART = 16
# MODBUS Application Protocol V1.1b3, section 7: both are in use for "too many registers".
_TOO_LONG = (2, 3)


@dataclass(frozen=True, slots=True)
class BlockReadings:
    """The points of one model, or of a profile.

    Attributes:
        block: The SunSpec model, None for a profile.
        name: Name of the model or profile.
        readings: Every point that was read.
        failure: Why something is missing, or "".
        registers: The registers of a SunSpec model from ID on, None where one was not read.
    """

    block: ModelBlock | None
    name: str
    readings: tuple[Reading, ...]
    failure: str = ""
    registers: tuple[int | None, ...] = ()


@dataclass(frozen=True, slots=True)
class DeviceReadings:
    """One poll of a device.

    Attributes:
        device: The device.
        blocks: Every block of its map that was read.
        snapshot: The uniform quantities, as the device signs them, with what is known of the sign.
        uniform: The same with register steps and what is suspect.
        sign_evidence: What the sign rests on, in words.
        exchanges: What was asked.
    """

    device: Device
    blocks: tuple[BlockReadings, ...]
    snapshot: Snapshot
    uniform: Uniform
    sign_evidence: str
    exchanges: tuple[Exchange, ...]


@dataclass
class MeterReader:
    """Reads one device again and again; learns what the device refuses and how it signs power.

    Attributes:
        bus: The bus.
        device: The device, identified.
        profile: Its profile where it has no SunSpec map.
        measured_only: Read only the block that holds the uniform quantities.
    """

    bus: Bus
    device: Device
    profile: DeviceProfile | None = None
    measured_only: bool = False
    _limit: int = MOST_REGISTERS
    _first: Snapshot | None = None
    _sign: SignEvidence = field(
        default_factory=lambda: SignEvidence(
            SignConvention.UNKNOWN,
            "the published models state no sign, and no counter has moved yet",
        )
    )

    async def poll(self) -> DeviceReadings:
        """Read once."""
        asker = Asker(self.bus, self.device.address)
        if self.device.sunspec is not None:
            blocks, found = await self._sunspec(asker)
        elif self.profile is not None:
            blocks, found = await self._profiled(asker, self.profile)
        else:
            blocks, found = (), Uniform({}, {})
        snapshot = found.snapshot(self.bus.now(), self.device.address)
        sign = self._learn_sign(snapshot, found)
        snapshot = Snapshot(snapshot.t_ns, snapshot.address, snapshot.quantities, sign.sign)
        return DeviceReadings(
            self.device, blocks, snapshot, found, sign.text, tuple(asker.exchanges)
        )

    def _learn_sign(self, snapshot: Snapshot, found: Uniform) -> SignEvidence:
        if found.sign is not SignConvention.UNKNOWN:
            return SignEvidence(found.sign, "the published model states the sign")
        if self._first is None:
            self._first = snapshot
        elif self._sign.sign is SignConvention.UNKNOWN:
            evidence = sign_from_counters(self._first, snapshot, found.steps)
            if evidence.sign is not SignConvention.UNKNOWN:
                self._sign = evidence
            elif evidence.text.startswith("power") and _turned(self._first, snapshot):
                # The flow turned: a new window begins.
                self._first = snapshot
        return self._sign

    async def _sunspec(self, asker: Asker) -> tuple[tuple[BlockReadings, ...], Uniform]:
        assert self.device.sunspec is not None
        models = self.device.sunspec.models
        best = best_measuring_block(models)
        wanted = [b for b in models if not self.measured_only or b == best]
        blocks = []
        found = Uniform({}, {})
        for block in wanted:
            image, failure = await self._fetch(asker, partial(_model_reads, block))
            readings = decode_block(block, image)
            definition = model_definition(block.model_id)
            name = definition.label if definition is not None else "unpublished model"
            places = range(
                block.address + HEADER_REGISTERS, block.address + HEADER_REGISTERS + block.length
            )
            registers = (block.model_id, block.length, *(image.get(place) for place in places))
            blocks.append(BlockReadings(block, name, readings, failure, registers))
            if block == best:
                found = uniform(block.model_id, readings)
        return tuple(blocks), found

    async def _profiled(
        self, asker: Asker, profile: DeviceProfile
    ) -> tuple[tuple[BlockReadings, ...], Uniform]:
        image, failure = await self._fetch(asker, lambda limit: profile_reads(profile, limit=limit))
        readings = decode_profile(profile, image)
        return (BlockReadings(None, profile.name, readings, failure),), uniform_profile(
            profile, readings
        )

    async def _fetch(
        self, asker: Asker, plan: Callable[[int], tuple[RegisterRead, ...]]
    ) -> tuple[Mapping[int, int], str]:
        """Fetch a block; read in smaller parts where the device refuses long reads.

        Returns:
            Register values by address as far as they came, and why some are missing, or "".
        """
        while True:
            answers: list[tuple[RegisterRead, tuple[int, ...] | None]] = []
            failure = ""
            for read in plan(self._limit):
                got = await asker.read(read.function, read.address, read.quantity)
                if not isinstance(got, NoRegisters):
                    answers.append((read, got))
                    continue
                if got.exception in _TOO_LONG and read.quantity > _SHORTEST_PART:
                    self._limit = max(_SHORTEST_PART, read.quantity // 2)
                    break
                failure = _why(got, read)
                if got.exception is None:
                    # Silence costs seconds each time: what is left would be silent too.
                    return image_of(answers), failure
            else:
                return image_of(answers), failure


def _model_reads(block: ModelBlock, limit: int) -> tuple[RegisterRead, ...]:
    return model_reads(block, limit=limit)


def _turned(before: Snapshot, after: Snapshot) -> bool:
    """Whether the total power changed its direction in between."""
    return before.quantities.get("P", 0.0) * after.quantities.get("P", 0.0) <= 0


def _why(failure: NoRegisters, read: RegisterRead) -> str:
    where = f"registers {read.address} to {read.address + read.quantity - 1}"
    if failure.exception is not None:
        return f"{where}: the device refused with exception {failure.exception:02X}"
    return f"{where}: no whole answer came ({failure.exchange.outcome})"
