"""Register images for the SunSpec tests: published dumps, made-up devices, a device that answers.

The dumps are part of the package pysunspec 2.1.1 (``sunspec/core/test/devices``).
"""

from __future__ import annotations

import importlib.util
import struct
import xml.etree.ElementTree as ET
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from busprobe.profiles.sunspec import ReadFailure, RegisterRead, SunSpecWalk, WalkResult

MARKER = (0x5375, 0x6E53)
END = (0xFFFF, 0)


def dump_folder() -> Path:
    spec = importlib.util.find_spec("sunspec")
    assert spec is not None
    assert spec.submodule_search_locations is not None
    return Path(next(iter(spec.submodule_search_locations))) / "core" / "test" / "devices"


def hex_dump(name: str) -> dict[int, int]:
    """A dump whose registers are one hexadecimal text."""
    root = ET.parse(dump_folder() / name).getroot()
    base = int(root.get("addr", "40000"))
    image: dict[int, int] = {}
    for regs in root.iter("regs"):
        data = bytes.fromhex((regs.text or "").strip())
        start = base + int(regs.get("offset", "0"))
        for index in range(len(data) // 2):
            image[start + index] = int.from_bytes(data[2 * index : 2 * index + 2], "big")
    return image


_BYTES = {"u16": 2, "s16": 2, "u32": 4, "s32": 4, "u64": 8, "s64": 8, "acc32": 4}


def typed_dump(name: str, base: int = 40000) -> dict[int, int]:
    """A dump that lists every value with its type."""
    root = ET.parse(dump_folder() / name).getroot()
    image: dict[int, int] = {}
    cursor = 0
    for regs in root.iter("regs"):
        kind = regs.get("type", "u16")
        text = (regs.text or "").strip()
        cursor = int(regs.get("offset", cursor))
        if kind == "string":
            size = int(regs.get("len", "0")) * 2 or len(text)
            data = text.encode().ljust(size, b"\0")
        elif kind == "f32":
            data = struct.pack(">f", float(text))
        elif kind == "hexstr":
            data = bytes.fromhex(text)
        else:
            size = _BYTES[kind]
            data = (int(text, 0) % (1 << 8 * size)).to_bytes(size, "big")
        for index in range(0, len(data), 2):
            image[base + cursor] = int.from_bytes(data[index : index + 2], "big")
            cursor += 1
    return image


def common_model(length: int = 66, maker: bytes = b"Trollfen", serial: bytes = b"A1") -> list[int]:
    """Header and body of model 1."""
    body = maker.ljust(32, b"\0") + b"TF-3".ljust(32, b"\0") + bytes(16) + b"1.0".ljust(16, b"\0")
    body += serial.ljust(32, b"\0") + (1).to_bytes(2, "big") + b"\x80\x00"
    registers = [int.from_bytes(body[i : i + 2], "big") for i in range(0, len(body), 2)]
    return [1, length, *registers[:length]]


def device(*blocks: Sequence[int], base: int = 40000, end: Sequence[int] = END) -> dict[int, int]:
    """A map: marker, blocks as they are, end."""
    flat = [*MARKER, *(register for block in blocks for register in block), *end]
    return {base + index: register for index, register in enumerate(flat)}


def answer(image: Mapping[int, int], read: RegisterRead) -> tuple[int, ...] | ReadFailure:
    """What a device with these registers answers: exception 02 where one is missing."""
    wanted = range(read.address, read.address + read.quantity)
    if any(address not in image for address in wanted):
        return ReadFailure(exception=2)
    return tuple(image[address] for address in wanted)


def walk(
    image: Mapping[int, int],
    respond: Callable[[RegisterRead], tuple[int, ...] | ReadFailure] | None = None,
) -> tuple[WalkResult, list[RegisterRead]]:
    """Walk a device to the end; the reads are returned too."""
    machine = SunSpecWalk()
    reads: list[RegisterRead] = []
    while (read := machine.next_read()) is not None:
        reads.append(read)
        machine.take(respond(read) if respond else answer(image, read))
        assert len(reads) < 1000
    return machine.result, reads
