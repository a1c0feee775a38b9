"""The invented devices of the shipped scenarios, so that a scenario only says what differs.

Their setting registers are those of the device profiles of the same names.
"""

from __future__ import annotations

from typing import Any

_OM63 = (
    ("V_L1", 0, "uint16", 0.1),
    ("V_L2", 1, "uint16", 0.1),
    ("V_L3", 2, "uint16", 0.1),
    ("I_L1", 3, "int32", 0.001),
    ("I_L2", 5, "int32", 0.001),
    ("I_L3", 7, "int32", 0.001),
    ("P_L1", 9, "int32", 0.1),
    ("P_L2", 11, "int32", 0.1),
    ("P_L3", 13, "int32", 0.1),
    ("P", 15, "int32", 0.1),
    ("Q_L1", 17, "int32", 0.1),
    ("Q_L2", 19, "int32", 0.1),
    ("Q_L3", 21, "int32", 0.1),
    ("F", 30, "uint16", 0.01),
    ("E_import", 52, "uint32", 100.0),
    ("E_export", 54, "uint32", 100.0),
)

# Floats; powers in kilowatts, counters in kilowatt-hours.
_BM4 = (
    ("V_L1", 0x0000, 1.0),
    ("V_L2", 0x0002, 1.0),
    ("V_L3", 0x0004, 1.0),
    ("I_L1", 0x000C, 1.0),
    ("I_L2", 0x000E, 1.0),
    ("I_L3", 0x0010, 1.0),
    ("P_L1", 0x0012, 1000.0),
    ("P_L2", 0x0014, 1000.0),
    ("P_L3", 0x0016, 1000.0),
    ("P", 0x0018, 1000.0),
    ("Q_L1", 0x001A, 1000.0),
    ("Q_L2", 0x001C, 1000.0),
    ("Q_L3", 0x001E, 1000.0),
    ("F", 0x0026, 1.0),
    ("E_import", 0x0100, 1000.0),
    ("E_export", 0x0102, 1000.0),
)

DEVICE_TYPES: dict[str, dict[str, Any]] = {
    "trollfen-tf30": {
        "maker": "Trollfen",
        "model": "TF 30",
        "version": "1.4",
        "sunspec": {"models": [203]},
        "firmware": {
            "functions": [3, 6],
            "settings": {
                "address_register": 4096,
                "baud_register": 4097,
                "baud_codes": {1: 9600, 2: 19200, 3: 38400},
            },
        },
        "timing": {"turnaround_ms": 24.0, "loop_ms": 1.5},
    },
    "nixenfurt-nf3f": {
        "maker": "Nixenfurt",
        "model": "NF 3F",
        "version": "2.02",
        "sunspec": {"models": [213], "common_length": 65},
        "firmware": {
            "functions": [3, 4, 16, 17, 43],
            "settings": {
                "unlock": {"register": 2000, "value": 0x1A85},
                "address_register": 2001,
                "baud_register": 2002,
                "baud_codes": {0: 9600, 1: 19200, 2: 38400, 3: 115200},
                "parity_register": 2003,
                "parity_codes": {0: "N", 1: "E", 2: "O"},
                "stop_register": 2004,
                "stop_codes": {1: 1, 2: 2},
                "save": {"register": 2010, "value": 1},
            },
        },
        "timing": {"turnaround_ms": 41.0, "loop_ms": 4.0},
    },
    "nixenfurt-hybrid8": {
        "maker": "Nixenfurt",
        "model": "Hybrid 8",
        "version": "5.1",
        "sunspec": {"models": [103]},
        "firmware": {"functions": [3, 43]},
        "timing": {"turnaround_ms": 60.0, "loop_ms": 10.0},
    },
    "elfmoor-ef63": {
        "maker": "Elfmoor Messgeraete",
        "model": "EF-63",
        "version": "3.1",
        "registers": [
            {"quantity": quantity, "address": address, "type": kind, "step": step}
            for quantity, address, kind, step in _OM63
        ],
        "firmware": {"functions": [4, 43], "read_limit": 40, "gaps_read_zero": True},
        "timing": {"turnaround_ms": 55.0, "loop_ms": 8.0},
    },
    "zwergau-zg4": {
        "maker": "Zwergau",
        "model": "ZG 4",
        "registers": [
            *(
                {"quantity": quantity, "address": address, "type": "float32", "step": step}
                for quantity, address, step in _BM4
            ),
            # Its type code.
            {"address": 0x0500, "type": "uint16", "constant": 0x0B04},
        ],
        "firmware": {
            "functions": [3, 4, 16],
            "read_limit": 80,
            "gaps_read_zero": True,
            "settings": {
                "address_register": 0x0600,
                "baud_register": 0x0601,
                "baud_codes": {0: 2400, 1: 4800, 2: 9600, 3: 19200, 4: 38400},
                "parity_register": 0x0602,
                "parity_codes": {0: "N", 1: "E", 2: "O"},
                "habits": {"effect": "after-power-cycle"},
            },
        },
        "timing": {"turnaround_ms": 33.0, "loop_ms": 3.0},
    },
}


def with_type(given: Any) -> Any:
    """Fill a device of a scenario file from its type; what is given goes before.

    Args:
        given: The device as it stands in the file.

    Raises:
        ValueError: No such type.
    """
    if not isinstance(given, dict) or "type" not in given:
        return given
    kind = given["type"]
    if kind not in DEVICE_TYPES:
        raise ValueError(f"type must be one of {', '.join(DEVICE_TYPES)}, not {kind!r}")
    return _merged(DEVICE_TYPES[kind], given)


def _merged(usual: dict[str, Any], given: dict[str, Any]) -> dict[str, Any]:
    merged = dict(usual)
    for key, value in given.items():
        before = merged.get(key)
        both = isinstance(before, dict) and isinstance(value, dict)
        merged[key] = _merged(before, value) if both else value  # type: ignore[arg-type]
    return merged
