"""How fast and how faithfully frames are found in recordings of a bus.

Run it from the checkout: ``python tests/benchmarks/bench_wire.py [--megabytes 2] [--long 10]``

Streams (no timing information): requests and responses of function 3 and 4, of 1 to 125 registers;
the same with one byte in 10 000 and in 100 replaced; random bytes. The rate is a multiple of what a
line at 115200 8N1 carries (11 520 byte/s), by CPU time, the median of interleaved rounds. Beside
it, in the same rounds, runs a plain scan over every offset with the same two roles and the CRC of
pymodbus.

Then `--long` million bytes of meter-like traffic (small values, runs of zeros, FFFF and 8000 for
"not there", identical polls) with one byte in 10 000 replaced: intact frames lost, and frames found
that nobody sent.

Ends with status 1 when a goal is missed: 1000 times the line rate on every stream but the one with
one byte in 100 replaced, faster than the plain scan, no intact frame lost, no false frame in the
long traffic, at most one false frame in a million random bytes.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pymodbus.framer import FramerRTU

from busprobe.wire.pdu import read_registers
from busprobe.wire.rtu import encode, split

LINE_BYTES_PER_S = 11_520
GOAL_LINES = 1000
GOAL_FALSE_PER_MB = 1.0
ROUNDS = 5
BLOCK = 1 << 16


def traffic(rng: random.Random, size: int) -> tuple[bytes, dict[int, bytes]]:
    """Make traffic and tell where each frame begins."""
    data = bytearray()
    frames = {}
    while len(data) < size:
        address, function = rng.randint(1, 247), rng.choice((3, 4))
        count = rng.choice((1, 2, 10, 20, 60, 125))
        request = read_registers(function, rng.randrange(60000), count)
        response = bytes((function, 2 * count)) + rng.randbytes(2 * count)
        for pdu in (request, response):
            frame = encode(address, pdu)
            frames[len(data)] = frame
            data += frame
    return bytes(data), frames


def meter_like(rng: random.Random, size: int) -> tuple[bytes, dict[int, bytes]]:
    """Make traffic of a master that polls some meters, and tell where each frame begins."""
    polled = [
        (rng.randint(1, 12), rng.choice((3, 4)), rng.randrange(50_000), rng.choice((1, 2, 10, 60)))
        for _ in range(12)
    ]
    data = bytearray()
    frames = {}
    while len(data) < size:
        address, function, register, count = rng.choice(polled)
        words = [
            rng.choice((0, 0, 0xFFFF, 0x8000, rng.randrange(300), rng.randrange(1 << 16)))
            for _ in range(count)
        ]
        body = b"".join(word.to_bytes(2, "big") for word in words)
        response = bytes((function, 2 * count)) + body
        for pdu in (read_registers(function, register, count), response):
            frame = encode(address, pdu)
            frames[len(data)] = frame
            data += frame
    return bytes(data), frames


def damaged(rng: random.Random, data: bytes, rate: float) -> bytes:
    """Replace bytes at random places."""
    spoiled = bytearray(data)
    for _ in range(round(len(data) * rate)):
        spoiled[rng.randrange(len(data))] = rng.randrange(256)
    return bytes(spoiled)


def plain_scan(data: bytes) -> int:
    """Count frames by trying every offset, as the usual loop does."""
    found = at = 0
    stop = len(data)
    crc = FramerRTU.compute_CRC
    while at < stop - 3:
        function = data[at + 1]
        if not 1 <= data[at] <= 247:
            at += 1
            continue
        if function in (1, 2, 3, 4):
            lengths = (5 + data[at + 2], 8)
        elif function in (5, 6):
            lengths = (8,)
        elif function & 0x80 and 1 <= function & 0x7F <= 0x2B:
            lengths = (5,)
        else:
            at += 1
            continue
        for length in sorted(lengths, reverse=True):
            end = at + length
            if end <= stop and crc(data[at : end - 2]) == data[end - 2] << 8 | data[end - 1]:
                found += 1
                at = end
                break
        else:
            at += 1
    return found


def cpu_s(work, data) -> float:
    """Time one run by CPU time [s]."""
    begin = time.process_time()
    work(data)
    return time.process_time() - begin


def lost(data: bytes, frames: dict[int, bytes]) -> tuple[int, int]:
    """Count the intact frames, and those of them that were not found."""
    intact = {at: f for at, f in frames.items() if data[at : at + len(f)] == f}
    found = {piece.offset: piece.data for piece in split(data) if piece.framed}
    return len(intact), sum(found.get(at) != frame for at, frame in intact.items())


def invented(data: bytes, frames: dict[int, bytes]) -> int:
    """Count the frames found that nobody sent."""
    return sum(piece.framed and frames.get(piece.offset) != piece.data for piece in split(data))


def long_traffic(rng: random.Random, megabytes: int) -> tuple[int, int, int]:
    """Intact frames, those lost, and frames invented in damaged meter-like traffic."""
    intact = missed = false = 0
    for _ in range(megabytes):
        clean, frames = meter_like(rng, 1_000_000)
        data = damaged(rng, clean, 1e-4)
        whole, gone = lost(data, frames)
        intact, missed, false = intact + whole, missed + gone, false + invented(data, frames)
    return intact, missed, false


def main() -> int:
    """Measure, print, and tell whether the goals are met."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--megabytes", type=float, default=2.0, help="size of each stream")
    options.add_argument("--noise", type=int, default=20, help="MB of random bytes searched")
    options.add_argument("--long", type=int, default=10, help="MB of meter-like traffic searched")
    options.add_argument("--seed", type=int, default=1)
    chosen = options.parse_args()
    rng = random.Random(chosen.seed)
    size = round(chosen.megabytes * 1e6)
    clean, frames = traffic(rng, size)
    streams = {
        "clean": clean,
        "1e-4 damaged": damaged(rng, clean, 1e-4),
        "1e-2 damaged": damaged(rng, clean, 1e-2),
        "random": rng.randbytes(size),
    }
    met = True
    print("stream          ours MB/s  x 115200   plain scan MB/s   intact   lost")
    for name, data in streams.items():
        ours, plain = [], []
        for _ in range(ROUNDS):
            ours.append(cpu_s(split, data))
            plain.append(cpu_s(plain_scan, data[: size // 4]) * 4)
        rate = len(data) / statistics.median(ours)
        peer = len(data) / statistics.median(plain)
        intact, missed = lost(data, frames) if name != "random" else (0, 0)
        met &= missed == 0 and rate > peer
        met &= rate >= GOAL_LINES * LINE_BYTES_PER_S or name == "1e-2 damaged"
        print(
            f"{name:<14} {rate / 1e6:>10.1f} {rate / LINE_BYTES_PER_S:>9.0f}"
            f" {peer / 1e6:>17.1f} {intact:>8} {missed:>6}"
        )
    intact, missed, false = long_traffic(rng, chosen.long)
    met &= missed == 0 and false == 0
    print(
        f"{chosen.long} MB of meter-like traffic, 1e-4 damaged: {intact} intact frames, "
        f"{missed} lost, {false} false"
    )
    false = 0
    for _ in range(chosen.noise * 1_000_000 // BLOCK):
        false += sum(piece.framed for piece in split(rng.randbytes(BLOCK)))
    searched = chosen.noise * 1_000_000 // BLOCK * BLOCK / 1e6
    met &= false <= GOAL_FALSE_PER_MB * searched
    print(f"false frames: {false} in {searched:.1f} MB of random bytes ({false / searched:.2f}/MB)")
    print("goals met" if met else "goals missed")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
