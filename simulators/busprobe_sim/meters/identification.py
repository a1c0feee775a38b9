"""Read Device Identification (MODBUS Application Protocol V1.1b3, section 6.21)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

_FUNCTION = 0x2B
_MEI = 0x0E
_MOST_PDU = 253
# First object that a level may not show: basic, regular, extended.
_LEVEL_END = {1: 0x03, 2: 0x80, 3: 0x100}


@dataclass(frozen=True, slots=True)
class DeviceIdentification:
    """Objects of a device by their id; 0 maker, 1 product code, 2 revision are mandatory.

    Attributes:
        objects: Raw values, at most 245 bytes each.
        individual: Whether one object can be asked for by itself.
    """

    objects: Mapping[int, bytes]
    individual: bool = True

    @property
    def conformity(self) -> int:
        """Conformity level."""
        highest = max(self.objects)
        level = 3 if highest >= 0x80 else 2 if highest >= 0x03 else 1
        return level | (0x80 if self.individual else 0)

    def respond(self, request: bytes) -> bytes:
        """Answer a request PDU of function 2B."""
        if len(request) != 4:
            return bytes((_FUNCTION | 0x80, 0x03))
        mei, code, object_id = request[1:4]
        if mei != _MEI:
            return bytes((_FUNCTION | 0x80, 0x01))
        if code == 4 and self.individual:
            if object_id not in self.objects:
                return bytes((_FUNCTION | 0x80, 0x02))
            return self._pack(code, [object_id], None)
        if code not in _LEVEL_END:
            return bytes((_FUNCTION | 0x80, 0x03))
        level = min(code, self.conformity & 0x7F)
        shown = [i for i in sorted(self.objects) if i < _LEVEL_END[level]]
        # An unknown object restarts the stream.
        start = object_id if object_id in shown else 0
        return self._stream(code, [i for i in shown if i >= start])

    def _stream(self, code: int, ids: list[int]) -> bytes:
        room = _MOST_PDU - 7
        fitting: list[int] = []
        for object_id in ids:
            room -= 2 + len(self.objects[object_id])
            if room < 0:
                return self._pack(code, fitting, object_id)
            fitting.append(object_id)
        return self._pack(code, fitting, None)

    def _pack(self, code: int, ids: list[int], following: int | None) -> bytes:
        head = bytes(
            (
                _FUNCTION,
                _MEI,
                code,
                self.conformity,
                0x00 if following is None else 0xFF,
                following or 0,
                len(ids),
            )
        )
        values = (bytes((i, len(self.objects[i]))) + self.objects[i] for i in ids)
        return head + b"".join(values)
