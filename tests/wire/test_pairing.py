"""Who was asked what: Modbus over Serial Line V1.02, section 2.4.1 (one transaction at a time)."""

import pytest

from busprobe.wire.crc import with_crc
from busprobe.wire.pairing import Ending, Pairing, pair
from busprobe.wire.pdu import read_registers
from busprobe.wire.rtu import encode, split
from busprobe.wire.writing import write_register

H = bytes.fromhex
ASK = encode(3, read_registers(3, 0, 1))
TOLD = encode(3, H("03 02 00 07"))


def endings(heard):
    return [(t.ending, t.address) for t in pair(split(heard))]


@pytest.mark.parametrize(
    ("heard", "expected"),
    [
        (ASK + TOLD, [(Ending.ANSWERED, 3)]),
        (ASK + encode(3, H("83 02")), [(Ending.EXCEPTION, 3)]),
        (ASK + ASK + TOLD, [(Ending.UNANSWERED, 3), (Ending.ANSWERED, 3)]),
        (ASK, [(Ending.UNANSWERED, 3)]),
        (ASK + TOLD[:-1] + b"\xff", [(Ending.DAMAGED, 3)]),
        (ASK + encode(4, H("03 02 00 07")), [(Ending.MISMATCHED, 3)]),
        (ASK + encode(3, H("03 04 00 07 00 00")), [(Ending.MISMATCHED, 3)]),
        (ASK + encode(3, H("04 02 00 07")), [(Ending.MISMATCHED, 3)]),
        (TOLD, [(Ending.UNASKED, 3)]),
        # Two devices at one address may both be heard.
        (ASK + TOLD + TOLD, [(Ending.ANSWERED, 3), (Ending.UNASKED, 3)]),
        (encode(3, write_register(1, 2)) * 2, [(Ending.ANSWERED, 3)]),
        (b"", []),
        (b"\xff\xff", []),
    ],
)
def test_endings(heard, expected):
    assert endings(heard) == expected


def test_nobody_answers_a_broadcast():
    everyone = with_crc(b"\0" + write_register(1, 2))
    assert endings(everyone + ASK + TOLD) == [(Ending.BROADCAST, 0), (Ending.ANSWERED, 3)]


def test_junk_is_kept_with_its_transaction():
    (transaction,) = pair(split(ASK + b"\0" + TOLD))
    assert [piece.data for piece in transaction.junk] == [b"\0"]
    assert transaction.response is not None
    assert transaction.response.data == TOLD


def test_own_requests_are_told_from_foreign_ones():
    other = encode(9, read_registers(4, 10, 2))
    transactions = pair(split(ASK + TOLD + other), own=(ASK,))
    assert [t.ours for t in transactions] == [True, False]


def test_portions_do_not_matter():
    pieces = split((ASK + TOLD) * 3 + ASK + b"\xff" + ASK)
    pairing = Pairing()
    one_by_one = [t for piece in pieces for t in pairing.feed((piece,))]
    assert (*one_by_one, *pairing.flush()) == pair(pieces)
