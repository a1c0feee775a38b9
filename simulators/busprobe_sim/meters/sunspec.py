"""SunSpec maps: marker, common model, further models, end model."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from busprobe_sim.meters.definition import PointDefinition, model_points
from busprobe_sim.meters.encoding import number_registers, text_registers
from busprobe_sim.meters.registers import RegisterMap, Stretch, fixed

# "SunS", two registers in front of the first model.
MARKER = (0x5375, 0x6E53)
END_MODEL = 0xFFFF

Values = Mapping[str, float | bytes | None]
Scales = Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Nameplate:
    """What the common model says of a device; raw bytes, since devices say anything.

    Attributes:
        maker: Manufacturer.
        model: Model.
        options: Options.
        version: Version.
        serial: Serial number.
    """

    maker: bytes
    model: bytes
    options: bytes = b""
    version: bytes = b""
    serial: bytes = b""


@dataclass(frozen=True, slots=True)
class Model:
    """One model with its contents.

    Attributes:
        model_id: Number of the model.
        length: L: registers after L. Points that do not fit are left out.
        values: Value by point name at an instant [ns]; a point that is missing is not implemented.
        scales: Exponent by name of the scale factor, at an instant [ns].
    """

    model_id: int
    length: int
    values: Callable[[int], Values]
    scales: Callable[[int], Scales] = lambda _now_ns: {}

    def points(self) -> list[PointDefinition]:
        """The points that fit into `length`."""
        end = self.length + 2
        return [p for p in model_points(self.model_id) if p.offset + p.size <= end]

    def registers(self, now_ns: int) -> list[int]:
        """The whole model, ID and L included."""
        values, scales = self.values(now_ns), self.scales(now_ns)
        words: list[int] = []
        for point in self.points():
            words += self._encode(point, values, scales)
        return words

    def _encode(self, point: PointDefinition, values: Values, scales: Scales) -> list[int]:
        if point.name == "ID":
            return [self.model_id]
        if point.name == "L":
            return [self.length]
        if point.kind == "sunssf":
            return number_registers("sunssf", scales.get(point.name), 1)
        value = values.get(point.name)
        if point.kind == "string":
            return text_registers(value if isinstance(value, bytes) else b"", point.size)
        if isinstance(value, bytes):
            raise TypeError(f"point {point.name} takes a number")
        if value is not None and point.scale is not None:
            value = value / 10.0 ** scales[point.scale]
        return number_registers(point.kind, value, point.size)


def common_model(nameplate: Nameplate, device_address: int | None, length: int = 66) -> Model:
    """Model 1.

    Args:
        nameplate: Who the device says it is.
        device_address: Content of DA, or None for not implemented.
        length: 66, or 65 of the older form without Pad.
    """
    values: dict[str, float | bytes | None] = {
        "Mn": nameplate.maker,
        "Md": nameplate.model,
        "Opt": nameplate.options,
        "Vr": nameplate.version,
        "SN": nameplate.serial,
        "DA": device_address,
    }
    return Model(1, length, lambda _now_ns: values)


@dataclass(frozen=True, slots=True)
class PlacedPoint:
    """A point of a model in the address space of the device."""

    model_id: int
    name: str
    address: int
    size: int
    kind: str


class SunSpecRegisters(RegisterMap):
    """A chain of models behind the marker.

    Args:
        base: Address of the marker: 0, 40000 or 50000.
        models: Common model first.
    """

    def __init__(self, base: int, models: Sequence[Model]) -> None:
        stretches = [fixed(base, MARKER)]
        points: list[PlacedPoint] = []
        address = base + len(MARKER)
        self.base = base
        self.heads: list[tuple[int, int]] = []
        """Model number and address of the ID register of every model, the end model excluded."""
        for model in models:
            self.heads.append((model.model_id, address))
            placed = model.points()
            size = placed[-1].offset + placed[-1].size
            stretches.append(Stretch(address, size, model.registers))
            points += [
                PlacedPoint(model.model_id, p.name, address + p.offset, p.size, p.kind)
                for p in placed
            ]
            address += size
        self.end_address = address
        """Address of the end model's ID register."""
        self.points = tuple(points)
        super().__init__([*stretches, fixed(address, (END_MODEL, 0))])

    def point_addresses(self, name: str, model_id: int | None = None) -> range:
        """Registers of the first point of that name, in the first model or in a certain one.

        Raises:
            KeyError: No such point.
        """
        for point in self.points:
            if point.name == name and model_id in (None, point.model_id):
                return range(point.address, point.address + point.size)
        raise KeyError(name)
