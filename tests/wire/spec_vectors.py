"""Worked examples printed in MODBUS Application Protocol Specification V1.1b3.

Section, request PDU, response PDU, and both as RTU frames at address 17; the CRCs of the frames
were computed with an independent routine that reproduces the published vectors of three libraries.
None stands where the specification prints no bytes (6.13: all "device specific"), or where the
printed example contradicts itself (6.21: two of three object lengths are wrong, and the counts).
"""

EXAMPLES = [
    ("6.1", "01 0013 0013", "01 03 CD6B05", "11 01 0013 0013 8E92", "11 01 03 CD6B05 4012"),
    ("6.2", "02 00C4 0016", "02 03 ACDB35", "11 02 00C4 0016 BAA9", "11 02 03 ACDB35 2018"),
    (
        "6.3",
        "03 006B 0003",
        "03 06 022B 0000 0064",
        "11 03 006B 0003 7687",
        "11 03 06 022B 0000 0064 C8BA",
    ),
    ("6.4", "04 0008 0001", "04 02 000A", "11 04 0008 0001 B298", "11 04 02 000A F8F4"),
    ("6.5", "05 00AC FF00", "05 00AC FF00", "11 05 00AC FF00 4E8B", "11 05 00AC FF00 4E8B"),
    ("6.6", "06 0001 0003", "06 0001 0003", "11 06 0001 0003 9A9B", "11 06 0001 0003 9A9B"),
    ("6.7", "07", "07 6D", "11 07 4C22", "11 07 6D E218"),
    ("6.8.2", "08 0000 A537", "08 0000 A537", "11 08 0000 A537 D81D", "11 08 0000 A537 D81D"),
    ("6.9", "0B", "0B FFFF 0108", "11 0B 4C27", "11 0B FFFF 0108 A6E9"),
    (
        "6.10",
        "0C",
        "0C 08 0000 0108 0121 20 00",
        "11 0C 0DE5",
        "11 0C 08 0000 0108 0121 20 00 5901",
    ),
    (
        "6.11",
        "0F 0013 000A 02 CD01",
        "0F 0013 000A",
        "11 0F 0013 000A 02 CD01 BF0B",
        "11 0F 0013 000A 2699",
    ),
    (
        "6.12",
        "10 0001 0002 04 000A 0102",
        "10 0001 0002",
        "11 10 0001 0002 04 000A 0102 C6F0",
        "11 10 0001 0002 1298",
    ),
    ("6.13", "11", None, "11 11 CDEC", None),
    (
        "6.16",
        "16 0004 00F2 0025",
        "16 0004 00F2 0025",
        "11 16 0004 00F2 0025 66E2",
        "11 16 0004 00F2 0025 66E2",
    ),
    (
        "6.17",
        "17 0003 0006 000E 0003 06 00FF 00FF 00FF",
        "17 0C 00FE 0ACD 0001 0003 000D 00FF",
        "11 17 0003 0006 000E 0003 06 00FF 00FF 00FF 4B54",
        "11 17 0C 00FE 0ACD 0001 0003 000D 00FF 0D75",
    ),
    ("6.18", "18 04DE", "18 0006 0002 01B8 1284", None, None),
    ("6.21", "2B 0E 01 00", None, "11 2B 0E 01 00 B1B4", None),
    ("7", "01 04A1 0001", "81 02", "11 01 04A1 0001 AF88", "11 81 02 C054"),
]

# A reply to 6.21 without the errata: the objects of the printed example with lengths and counts
# that agree. It ends in 47 9E at address 17.
IDENTIFICATION = (
    bytes.fromhex("2B 0E 01 01 00 00 03")
    + b"\x00\x16Company identification"
    + b"\x01\x0fProduct code XX"
    + b"\x02\x05V2.11"
)


def pdus() -> list[tuple[str, bytes, bytes | None]]:
    """Section, request PDU, response PDU."""
    return [
        (section, bytes.fromhex(request), None if response is None else bytes.fromhex(response))
        for section, request, response, _, _ in EXAMPLES
    ]


def frames() -> list[tuple[str, bool, bytes, bytes]]:
    """Section, whether a request, PDU, RTU frame at address 17."""
    found = []
    for section, request, response, request_frame, response_frame in EXAMPLES:
        for is_request, pdu, frame in (
            (True, request, request_frame),
            (False, response, response_frame),
        ):
            if pdu is not None and frame is not None:
                found.append((section, is_request, bytes.fromhex(pdu), bytes.fromhex(frame)))
    return found
