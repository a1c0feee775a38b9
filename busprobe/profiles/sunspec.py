"""Finding the SunSpec map of a device: a walk along the chain of models, without any I/O.

The caller makes the read that `SunSpecWalk.next_read` names, hands what came of it to `take`, and
goes on until `next_read` is None.

    state      read              answer                            then
    ---------  ----------------  --------------------------------  ------------------------------
    MARKER     2 at a base       "SunS"                            HEADER behind it
                                 anything else, or none            MARKER at the next base, or DONE
    HEADER     2 (ID, L)         a published model and length      note the model, HEADER behind it
                                 end model                         DONE
                                 anything else                     WINDOW around it
                                 no answer                         END_ID at the same place, or
                                                                   WINDOW if the last length is odd
    END_ID     1 (ID)            0xFFFF, or 0                      DONE
                                 another ID, or no answer          DONE; exception 02 behind a model
                                                                   is an irregular end, the rest a
                                                                   broken chain
    WINDOW     up to 10 around   exception 02                      WINDOW, smaller
                                 a published header near by        the length before was wrong: tell
                                                                   it, HEADER there
                                 none, but the header can be one   note the model, HEADER behind it
                                 none                              DONE, broken chain, with the
                                                                   registers

An answer of "busy" or "failure" (exceptions 04, 05, 06) is asked for again, at most twice in a row.

Guards: addresses only rise and never pass 65535; at most `MOST_MODELS` models; models that repeat
for ever are a loop. Where the chain proves a stated length wrong, the map holds the real one.

Sources: SunSpec Device Information Model Specification V1.1 (bases, marker, chain, end model); the
irregular ends and lengths are those of the public issues sunspec/models 44 and pysunspec2 89, and
of devices that count the marker into the length of the common model.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, StrEnum, auto

from busprobe.model.device import ModelBlock, SunSpecMap
from busprobe.profiles import definitions
from busprobe.profiles.definitions import (
    COMMON_LENGTHS,
    COMMON_MODEL,
    END_MODEL,
    HEADER_REGISTERS,
    LengthRule,
)
from busprobe.profiles.reads import (
    HIGHEST_REGISTER,
    ILLEGAL_DATA_ADDRESS,
    READ_HOLDING,
    ReadFailure,
    RegisterRead,
)

__all__ = [
    "AnomalyKind",
    "ReadFailure",
    "RegisterRead",
    "SunSpecWalk",
    "WalkAnomaly",
    "WalkResult",
]

# In the order in which devices use them most.
BASES = (40000, 0, 50000)
MARKER = (0x5375, 0x6E53)
_SWAPPED_MARKERS = ((0x6E53, 0x5375), (0x7553, 0x536E), (0x536E, 0x7553))
# The longest published chains have some twenty models. Common practice, no source.
MOST_MODELS = 64
# Registers of the window before and behind the place where a header should be; it shrinks as long
# as the device says that it reaches too far.
_WINDOW_BEFORE = 4
_WINDOW_BEHIND = (6, 4, 3, 2, 1, 0)
# IDs that no model can have yet: texts in the wrong place are two printable characters, 0x2020 and
# up. Vendor models lie from 63001 on.
# Exceptions that pass: device failure, acknowledge, busy (MODBUS Application Protocol V1.1b3,
# section 7).
_PASSING = (4, 5, 6)
_REPEATS = 2
_STANDARD_IDS = range(1, 2000)
_VENDOR_IDS = range(63001, END_MODEL)


class AnomalyKind(StrEnum):
    """What is not as it should be."""

    UNANSWERED = "unanswered"
    """A base could not be read for want of an answer: no verdict on it."""
    SWAPPED_MARKER = "swapped-marker"
    """The marker is there with its words or bytes swapped."""
    FIRST_MODEL = "first-model"
    """The chain does not start with the common model."""
    LENGTH_MISMATCH = "length-mismatch"
    """A model states a length that its definition or the chain contradicts."""
    UNPUBLISHED_MODEL = "unpublished-model"
    """A model without published definition."""
    IRREGULAR_END = "irregular-end"
    """The chain ends, but not with the end model."""
    BROKEN_CHAIN = "broken-chain"
    """The chain leads to what cannot be a model."""
    LOOP = "loop"
    """The same models repeat for ever."""
    TOO_LONG = "too-long"
    """More models than any device has, or beyond the last register."""


@dataclass(frozen=True, slots=True)
class WalkAnomaly:
    """Something that is not as it should be.

    Attributes:
        register: Address it was seen at.
        text: In words.
        raw: The registers that show it.
    """

    kind: AnomalyKind
    register: int
    text: str
    raw: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class WalkResult:
    """Where the walk has come to.

    Attributes:
        map: The map, or None when there is none (or the walk has not found it yet).
        anomalies: In the order in which they were met.
        complete: Whether the chain was followed to an end, regular or not.
    """

    map: SunSpecMap | None
    anomalies: tuple[WalkAnomaly, ...]
    complete: bool


class _State(Enum):
    MARKER = auto()
    HEADER = auto()
    END_ID = auto()
    WINDOW = auto()
    DONE = auto()


def _hex(registers: tuple[int, ...]) -> str:
    return " ".join(f"{register:04X}" for register in registers) or "nothing"


class SunSpecWalk:
    """The walk; see the head of the module.

    Args:
        bases: Where to look for the marker, in this order.
        lengths: Which lengths a model may have, None for a model that is not published.
    """

    def __init__(
        self,
        bases: tuple[int, ...] = BASES,
        lengths: Callable[[int], LengthRule | None] = definitions.length_rule,
    ) -> None:
        self._bases = bases
        self._lengths = lengths
        self._base_index = 0
        self._state = _State.MARKER if bases else _State.DONE
        self._at = bases[0] if bases else 0
        self._base: int | None = None
        self._models: list[ModelBlock] = []
        self._anomalies: list[WalkAnomaly] = []
        self._complete = False
        self._window_start = 0
        self._window_try = 0
        self._repeats = 0
        self._header: tuple[int, int] = (0, 0)

    @property
    def result(self) -> WalkResult:
        """What was found so far."""
        found = None if self._base is None else SunSpecMap(self._base, tuple(self._models))
        return WalkResult(found, tuple(self._anomalies), self._complete)

    def next_read(self) -> RegisterRead | None:
        """The read to make next, or None at the end of the walk."""
        if self._state is _State.MARKER:
            return self._read(self._at, 2, "SunSpec marker")
        if self._state is _State.HEADER:
            return self._read(self._at, HEADER_REGISTERS, "SunSpec model header")
        if self._state is _State.END_ID:
            return self._read(self._at, 1, "SunSpec model ID alone")
        if self._state is _State.WINDOW:
            end = min(self._at + _WINDOW_BEHIND[self._window_try], HIGHEST_REGISTER + 1)
            return self._read(
                self._window_start, end - self._window_start, "registers around a broken header"
            )
        return None

    def take(self, answer: tuple[int, ...] | ReadFailure) -> None:
        """Take what came of the read.

        Raises:
            ValueError: The walk is over.
        """
        asked = self.next_read()
        if asked is None:
            raise ValueError("the walk is over")
        if not isinstance(answer, ReadFailure) and len(answer) != asked.quantity:
            answer = ReadFailure()
        if isinstance(answer, ReadFailure) and answer.exception in _PASSING:
            self._repeats += 1
            if self._repeats <= _REPEATS:
                return
        self._repeats = 0
        if self._state is _State.MARKER:
            self._take_marker(answer)
        elif self._state is _State.HEADER:
            self._take_header(answer)
        elif self._state is _State.END_ID:
            self._take_end_id(answer)
        else:
            self._take_window(answer)

    @staticmethod
    def _read(address: int, quantity: int, purpose: str) -> RegisterRead:
        return RegisterRead(READ_HOLDING, address, quantity, purpose)

    def _tell(self, kind: AnomalyKind, register: int, text: str, raw: tuple[int, ...] = ()) -> None:
        self._anomalies.append(WalkAnomaly(kind, register, text, raw))

    def _finish(self, *, complete: bool) -> None:
        self._state = _State.DONE
        self._complete = complete

    def _take_marker(self, answer: tuple[int, ...] | ReadFailure) -> None:
        if answer == MARKER:
            self._base = self._at
            self._go(self._at + len(MARKER))
            return
        if isinstance(answer, ReadFailure):
            if answer.exception is None:
                text = f"no usable answer for the marker at register {self._at}"
                self._tell(AnomalyKind.UNANSWERED, self._at, text)
        elif answer in _SWAPPED_MARKERS:
            text = f"the SunSpec marker at register {self._at} has its words or bytes swapped"
            self._tell(AnomalyKind.SWAPPED_MARKER, self._at, text, answer)
        self._base_index += 1
        if self._base_index < len(self._bases):
            self._at = self._bases[self._base_index]
        else:
            self._finish(complete=True)

    def _go(self, address: int) -> None:
        """Ask for the header at an address, if there can be one."""
        if address + HEADER_REGISTERS - 1 > HIGHEST_REGISTER:
            text = f"the chain would go on at register {address}, beyond the last one"
            self._tell(AnomalyKind.TOO_LONG, min(address, HIGHEST_REGISTER), text)
            self._finish(complete=False)
            return
        if len(self._models) >= MOST_MODELS:
            self._stop_endless(address)
            return
        self._at = address
        self._state = _State.HEADER

    def _stop_endless(self, address: int) -> None:
        shape = [(model.model_id, model.length) for model in self._models]
        for period in range(1, len(shape) // 2 + 1):
            if all(shape[i] == shape[i - period] for i in range(period, len(shape))):
                del self._models[period:]
                text = f"the same {period} models repeat for ever: only the first round is kept"
                self._tell(AnomalyKind.LOOP, address, text)
                break
        else:
            text = f"more than {MOST_MODELS} models: the walk was stopped"
            self._tell(AnomalyKind.TOO_LONG, address, text)
        self._finish(complete=False)

    def _known(self, model_id: int, length: int) -> bool:
        """Whether this is without doubt the header of a model, or the end model."""
        if (model_id, length) == (END_MODEL, 0):
            return True
        rule = self._lengths(model_id)
        return rule is not None and length > 0 and rule.allows(length)

    def _possible(self, model_id: int, length: int) -> bool:
        """Whether this, in the place where it was read, can be the header of a model."""
        if not length or self._at + HEADER_REGISTERS + length > HIGHEST_REGISTER + 1:
            return False
        if self._lengths(model_id) is not None:
            return True
        return model_id in _STANDARD_IDS or model_id in _VENDOR_IDS

    def _last_fits(self) -> bool:
        """Whether the length of the last model is one its definition allows."""
        if not self._models:
            return True
        last = self._models[-1]
        rule = self._lengths(last.model_id)
        return rule is None or rule.allows(last.length)

    def _take_header(self, answer: tuple[int, ...] | ReadFailure) -> None:
        if isinstance(answer, ReadFailure):
            if answer.exception is None or self._last_fits():
                self._state = _State.END_ID
            else:
                self._look_around((0, 0))
            return
        model_id, length = answer
        trusted = self._last_fits()
        ends = model_id == END_MODEL and (length == 0 or trusted)
        ends_in_zero = model_id == 0 and length == 0 and trusted and bool(self._models)
        if ends or ends_in_zero:
            if ends_in_zero:
                text = "the chain ends in 0000 0000 instead of the end model FFFF 0000"
                self._tell(AnomalyKind.IRREGULAR_END, self._at, text, answer)
            elif length:
                text = f"the end model states the length {length} instead of 0"
                self._tell(AnomalyKind.IRREGULAR_END, self._at, text, answer)
            self._check_last()
            self._finish(complete=True)
            return
        if not self._known(model_id, length):
            self._look_around((model_id, length))
            return
        self._check_last()
        self._add(ModelBlock(model_id, self._at, length), answer)

    def _look_around(self, header: tuple[int, int]) -> None:
        self._header = header
        self._window_start = max(self._at - _WINDOW_BEFORE, self._previous_start())
        self._window_try = 0
        self._state = _State.WINDOW

    def _previous_start(self) -> int:
        """First register that may still hold a header behind the last one."""
        if self._models:
            return self._models[-1].address + HEADER_REGISTERS
        return (self._base or 0) + len(MARKER)

    def _check_last(self) -> None:
        """Tell a length that leads to a true header but is not the published one."""
        if self._last_fits():
            return
        last = self._models[-1]
        rule = self._lengths(last.model_id)
        assert rule is not None
        text = (
            f"model {last.model_id} states the length {last.length}, published is "
            f"{self._published(last.model_id, rule)}; the chain follows the stated one"
        )
        self._tell(AnomalyKind.LENGTH_MISMATCH, last.address, text, (last.model_id, last.length))

    @staticmethod
    def _published(model_id: int, rule: LengthRule) -> str:
        if model_id == COMMON_MODEL:
            return " or ".join(str(length) for length in COMMON_LENGTHS)
        if rule.step == 0:
            return str(rule.least)
        if rule.step is None:
            return f"{rule.least} or more"
        return f"{rule.least} and multiples of {rule.step} more"

    def _add(self, block: ModelBlock, raw: tuple[int, ...]) -> None:
        if not self._models and block.model_id != COMMON_MODEL:
            text = f"the chain starts with model {block.model_id} instead of the common model 1"
            self._tell(AnomalyKind.FIRST_MODEL, block.address, text, raw)
        if self._lengths(block.model_id) is None:
            text = f"model {block.model_id} is not published: its {block.length} registers stay raw"
            self._tell(AnomalyKind.UNPUBLISHED_MODEL, block.address, text, raw)
        self._models.append(block)
        self._go(block.address + HEADER_REGISTERS + block.length)

    def _take_end_id(self, answer: tuple[int, ...] | ReadFailure) -> None:
        if isinstance(answer, ReadFailure):
            if answer.exception == ILLEGAL_DATA_ADDRESS and self._models:
                text = f"exception 02 at register {self._at} instead of the end model FFFF 0000"
                self._tell(AnomalyKind.IRREGULAR_END, self._at, text)
                self._check_last()
                self._finish(complete=True)
            else:
                text = f"{answer} at register {self._at}, where a model or the end should be"
                self._tell(AnomalyKind.BROKEN_CHAIN, self._at, text)
                self._finish(complete=False)
            return
        if answer == (END_MODEL,) or (answer == (0,) and self._models):
            if answer == (0,):
                text = "the chain ends in 0000 instead of the end model FFFF 0000"
                self._tell(AnomalyKind.IRREGULAR_END, self._at, text, answer)
            self._check_last()
            self._finish(complete=True)
            return
        text = f"register {self._at} holds {_hex(answer)}, but the length behind it cannot be read"
        self._tell(AnomalyKind.BROKEN_CHAIN, self._at, text, answer)
        self._finish(complete=False)

    def _take_window(self, answer: tuple[int, ...] | ReadFailure) -> None:
        if isinstance(answer, ReadFailure) and answer.exception == ILLEGAL_DATA_ADDRESS:
            further = self._window_try + 1
            if further < len(_WINDOW_BEHIND):
                smaller = self._at + _WINDOW_BEHIND[further]
                if smaller > self._window_start:
                    self._window_try = further
                    return
        found = None if isinstance(answer, ReadFailure) else self._header_in(answer)
        if found is None:
            if self._possible(*self._header):
                self._check_last()
                self._add(ModelBlock(self._header[0], self._at, self._header[1]), self._header)
            elif isinstance(answer, ReadFailure):
                self._break(self._at, self._header)
            else:
                self._break(self._window_start, answer)
            return
        if self._models:
            last = self._models[-1]
            real = found - last.address - HEADER_REGISTERS
            text = (
                f"model {last.model_id} states the length {last.length}, but the next model "
                f"starts where the length would be {real}"
            )
            raw = (last.model_id, last.length)
            self._tell(AnomalyKind.LENGTH_MISMATCH, last.address, text, raw)
            self._models[-1] = ModelBlock(last.model_id, last.address, real)
        else:
            text = f"the first model starts at register {found}, not right behind the marker"
            self._tell(AnomalyKind.FIRST_MODEL, found, text, self._header)
        self._go(found)

    def _header_in(self, registers: tuple[int, ...]) -> int | None:
        """Address of a true header in the window, the most believable one.

        One that makes the last model as long as published goes first, then the nearest. Where the
        header in its place can be one and the last length is right, only the former counts: two
        values may look like a header.
        """
        solid = self._last_fits() and self._possible(*self._header)
        rule = self._lengths(self._models[-1].model_id) if self._models else None
        candidates = []
        for index in range(len(registers) - 1):
            address = self._window_start + index
            if address == self._at or not self._known(registers[index], registers[index + 1]):
                continue
            real = address - self._previous_start()
            fits = rule is not None and rule.allows(real)
            if fits or not solid:
                candidates.append((not fits, abs(address - self._at), address))
        return min(candidates)[2] if candidates else None

    def _break(self, register: int, raw: tuple[int, ...]) -> None:
        before = (
            f"behind model {self._models[-1].model_id}" if self._models else "behind the marker"
        )
        text = (
            f"the header {before}, at register {self._at}, reads {_hex(self._header)}, which is "
            f"no model; registers from {register}: {_hex(raw)}"
        )
        self._tell(AnomalyKind.BROKEN_CHAIN, self._at, text, raw)
        self._finish(complete=False)
