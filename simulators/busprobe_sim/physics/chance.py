"""Independent streams of chance from one seed: adding a device does not change another's luck."""

from __future__ import annotations

import hashlib
import random

import numpy as np


def _number(seed: int, name: str) -> int:
    return int.from_bytes(hashlib.sha256(f"{seed}/{name}".encode()).digest()[:16], "big")


def stream(seed: int, name: str) -> random.Random:
    """A stream of single numbers.

    Args:
        seed: Seed of the whole simulation.
        name: What the stream is for.
    """
    return random.Random(_number(seed, name))


def array_stream(seed: int, name: str) -> np.random.Generator:
    """A stream of whole arrays, see `stream`."""
    return np.random.default_rng(_number(seed, name))
