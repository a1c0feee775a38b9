"""Recordings for network analysers: pcapng with frames that are dissected without any set-up.

Sources: PCAP Next Generation (draft-ietf-opsawg-pcapng), sections 4.1 section header, 4.2 interface
description, 4.3 enhanced packet; tcpdump.org link types, 252 upper PDU; Wireshark,
epan/exported_pdu.h for the tags.

Every packet names its dissector (`mbrtu`, `mbtcp`, or `data` for bytes of no frame) and made-up IP
addresses: the unit n is 10.0.0.n port 502, the master 10.0.0.254 port 40000. So units and
directions stay apart and requests are matched with their responses. A request of four bytes
(function 17) is shown as data: the dissector takes five at least (measured with tshark 4.0.17).
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from typing import BinaryIO

from busprobe.model.chunk import Direction
from busprobe.model.line import LineSettings
from busprobe.recording.frames import RecordedFrame
from busprobe.recording.read import RecordingHead
from busprobe.wire.functions import Role

_SECTION, _INTERFACE, _PACKET = 0x0A0D0D0A, 1, 6
_LINKTYPE_UPPER_PDU = 252
_OPT_END, _OPT_COMMENT = 0, 1
_SHB_USERAPPL = 4
_IF_NAME, _IF_DESCRIPTION, _IF_TSRESOL = 2, 3, 9
_EPB_FLAGS = 2
_INBOUND, _OUTBOUND = 1, 2
# Exported PDU tags; values are big-endian.
_TAG_DISSECTOR, _TAG_IPV4_SRC, _TAG_IPV4_DST = 12, 20, 21
_TAG_PORT_TYPE, _TAG_SRC_PORT, _TAG_DST_PORT = 24, 25, 26
_PORT_TYPE_TCP = 2
_MASTER = (254, 40_000)
_UNIT_PORT = 502
_HINT = (
    "Frames of a Modbus recording. For function codes beyond the register reads set "
    "mbrtu.tcp.port:502; to have the CRC judged set mbrtu.crc_verification:TRUE."
)


def _padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + _padded(value)


def _block(kind: int, body: bytes) -> bytes:
    length = 12 + len(body)
    return struct.pack("<II", kind, length) + body + struct.pack("<I", length)


def _tag(tag: int, value: bytes) -> bytes:
    value = _padded(value)
    return struct.pack(">HH", tag, len(value)) + value


def _section(version: str) -> bytes:
    options = (
        _option(_OPT_COMMENT, _HINT.encode())
        + _option(_SHB_USERAPPL, f"busprobe {version}".encode())
        + _option(_OPT_END, b"")
    )
    return _block(_SECTION, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1) + options)


def _interface(head: RecordingHead, settings: LineSettings | None) -> bytes:
    description = f"{head.kind.value}, {head.framing.upper()} frames"
    if settings is not None:
        description += f", {settings}"
    options = (
        _option(_IF_NAME, head.endpoint.encode())
        + _option(_IF_DESCRIPTION, description.encode())
        + _option(_IF_TSRESOL, bytes((9,)))
        + _option(_OPT_END, b"")
    )
    return _block(_INTERFACE, struct.pack("<HHI", _LINKTYPE_UPPER_PDU, 0, 0) + options)


def _upper_pdu(frame: RecordedFrame, framing: str) -> bytes:
    protocol = b"mbrtu" if framing == "rtu" else b"mbtcp"
    dissector = protocol if frame.role is not None else b"data"
    # A device of a foreign master is told from that master by what the frame is.
    from_master = frame.direction is Direction.SENT or frame.role is Role.REQUEST
    unit = ((frame.address or 0) & 0xFF, _UNIT_PORT)
    source, target = (_MASTER, unit) if from_master else (unit, _MASTER)
    return (
        _tag(_TAG_DISSECTOR, dissector)
        + _tag(_TAG_IPV4_SRC, bytes((10, 0, 0, source[0])))
        + _tag(_TAG_IPV4_DST, bytes((10, 0, 0, target[0])))
        + _tag(_TAG_PORT_TYPE, struct.pack(">I", _PORT_TYPE_TCP))
        + _tag(_TAG_SRC_PORT, struct.pack(">I", source[1]))
        + _tag(_TAG_DST_PORT, struct.pack(">I", target[1]))
        + _tag(0, b"")
        + frame.data
    )


def _packet(frame: RecordedFrame, head: RecordingHead, start_ns: int) -> bytes:
    stamp = start_ns + frame.t_ns - head.started_t_ns
    data = _upper_pdu(frame, head.framing)
    sent = frame.direction is Direction.SENT
    comment = ""
    if frame.role is None:
        comment = f"{len(frame.data)} bytes that belong to no frame"
    elif not sent and frame.uncertainty_ns:
        comment = f"may have ended up to {frame.uncertainty_ns / 1e6:.1f} ms earlier on the wire"
    options = _option(_OPT_COMMENT, comment.encode()) if comment else b""
    options += _option(_EPB_FLAGS, struct.pack("<I", _OUTBOUND if sent else _INBOUND))
    options += _option(_OPT_END, b"")
    head_part = struct.pack("<IIIII", 0, stamp >> 32, stamp & 0xFFFFFFFF, len(data), len(data))
    return _block(_PACKET, head_part + _padded(data) + options)


def write_pcapng(
    head: RecordingHead,
    frames: Iterable[RecordedFrame],
    out: BinaryIO,
    settings: LineSettings | None = None,
) -> int:
    """Write frames as pcapng.

    Args:
        head: What the recording says of itself.
        frames: The frames.
        out: A binary file.
        settings: Line settings to name in the description of the interface.

    Returns:
        Packets written.
    """
    out.write(_section(head.version))
    out.write(_interface(head, settings))
    # Exact: a float of this size would lose the nanoseconds.
    whole = int(head.started.timestamp())
    start_ns = whole * 1_000_000_000 + head.started.microsecond * 1000
    count = 0
    for frame in frames:
        out.write(_packet(frame, head, start_ns))
        count += 1
    return count
