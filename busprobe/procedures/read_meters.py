"""What a device measures: every point of its map, and the uniform quantities."""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.bus.bus import Bus
from busprobe.model.device import Device, ModelBlock
from busprobe.model.exchange import Exchange
from busprobe.model.reading import Reading, SignConvention, Snapshot
from busprobe.procedures.asking import Asker, NoRegisters
from busprobe.profiles.blocks import RegisterRead, model_reads, profile_reads
from busprobe.profiles.decode import decode_model, decode_profile, model_name
from busprobe.profiles.schema import DeviceProfile
from busprobe.profiles.uniform import is_meter_model, uniform_model, uniform_profile

# Firmware has been seen to cap reads at 20 to 50 registers (libmodbus #664); below this a refusal
# has another reason.
_SHORTEST_PART = 16


@dataclass(frozen=True, slots=True)
class BlockReadings:
    """The points of one model, or of a profile.

    Attributes:
        block: The SunSpec model, None for a profile.
        name: Name of the model or profile.
        readings: Every point.
        failure: Why nothing was read, or "".
    """

    block: ModelBlock | None
    name: str
    readings: tuple[Reading, ...]
    failure: str = ""


@dataclass(frozen=True, slots=True)
class DeviceReadings:
    """One poll of a device.

    Attributes:
        device: The device.
        blocks: Every block of its map.
        snapshot: The uniform quantities, as the device signs them.
        steps: Register step of each quantity, where it is known.
        exchanges: What was asked.
    """

    device: Device
    blocks: tuple[BlockReadings, ...]
    snapshot: Snapshot
    steps: dict[str, float]
    exchanges: tuple[Exchange, ...]


@dataclass
class MeterReader:
    """Reads one device again and again; learns what the device refuses.

    Attributes:
        bus: The bus.
        device: The device, identified.
        profile: Its profile where it has no SunSpec map.
        measured_only: Read only the blocks that hold uniform quantities.
    """

    bus: Bus
    device: Device
    profile: DeviceProfile | None = None
    measured_only: bool = False
    sign: SignConvention = SignConvention.UNKNOWN
    _limit: int = 125

    async def poll(self) -> DeviceReadings:
        """Read everything once."""
        asker = Asker(self.bus, self.device.address)
        blocks: list[BlockReadings] = []
        quantities: dict[str, float] = {}
        steps: dict[str, float] = {}
        if self.device.sunspec is not None:
            for block in self.device.sunspec.models:
                if self.measured_only and not is_meter_model(block.model_id):
                    continue
                registers = await self._fetch(asker, block)
                if isinstance(registers, str):
                    blocks.append(BlockReadings(block, model_name(block.model_id), (), registers))
                    continue
                readings = decode_model(block, registers)
                blocks.append(BlockReadings(block, model_name(block.model_id), readings))
                values, resolution = uniform_model(block.model_id, readings)
                quantities.update({k: v for k, v in values.items() if k not in quantities})
                steps.update({k: v for k, v in resolution.items() if k not in steps})
        elif self.profile is not None:
            image: dict[int, int] = {}
            failure = ""
            for read in profile_reads(self.profile):
                got = await asker.read(read.function, read.address, read.quantity)
                if isinstance(got, NoRegisters):
                    failure = _why(got)
                    continue
                image.update(zip(_span(read), got, strict=True))
            readings = decode_profile(self.profile, image)
            blocks.append(BlockReadings(None, self.profile.name, readings, failure))
            values, resolution = uniform_profile(self.profile, readings)
            quantities.update(values)
            steps.update(resolution)
        return DeviceReadings(
            self.device,
            tuple(blocks),
            Snapshot(self.bus.now(), self.device.address, quantities, self.sign),
            steps,
            tuple(asker.exchanges),
        )

    async def _fetch(self, asker: Asker, block: ModelBlock) -> tuple[int, ...] | str:
        """Fetch a model whole; read in smaller parts where the device refuses long reads."""
        while True:
            image: dict[int, int] = {}
            for read in model_reads(block, self._limit):
                got = await asker.read(read.function, read.address, read.quantity)
                if isinstance(got, NoRegisters):
                    break
                image.update(zip(_span(read), got, strict=True))
            else:
                return tuple(
                    image[r] for r in range(block.address, block.address + block.length + 2)
                )
            if got.exception not in (2, 3) or read.quantity <= _SHORTEST_PART:
                return _why(got)
            self._limit = max(_SHORTEST_PART, read.quantity // 2)


def _span(read: RegisterRead) -> range:
    return range(read.address, read.address + read.quantity)


def _why(failure: NoRegisters) -> str:
    if failure.exception is not None:
        return f"the device refused with exception {failure.exception:02X}"
    return f"no whole answer came ({failure.exchange.outcome})"
