"""What people did while a recording was made, and what the clock on the wall showed.

A replayed bus gives the bytes again; the hands that switched a load, or held a generator back, are
given again from here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from busprobe.model.line import LinkKind
from busprobe.recording.read import RecordingHead
from busprobe.recording.schema import RecordedEvent


@dataclass(frozen=True, slots=True)
class RecordedAnswer:
    """What became of a request to the technician.

    Attributes:
        done: True done, False refused.
        exchanges: Exchanges on the bus between question and answer.
    """

    done: bool
    exchanges: int


@dataclass(slots=True)
class Handwork:
    """A recorded procedure that might ask for hands.

    Attributes:
        step: Which one.
        addresses: The meters that it read.
        attended: Whether there was somebody to ask.
        timing: Its times by name [s], and its counts.
        answers: What became of its requests, in order.
    """

    step: str
    addresses: tuple[int, ...]
    attended: bool
    timing: Mapping[str, float]
    answers: list[RecordedAnswer] = field(default_factory=list)


class Past:
    """What people did, asked for in the order in which they did it.

    Args:
        head: What the recording says of itself.
        works: The procedures that might ask for hands, in order.
    """

    def __init__(self, head: RecordingHead, works: Sequence[Handwork] = ()) -> None:
        self._head = head
        self._works = list(works)

    def work(self, step: str, addresses: Sequence[int]) -> Handwork | None:
        """The next such procedure with these meters that was not asked for yet."""
        for number, work in enumerate(self._works):
            if work.step == step and work.addresses == tuple(addresses):
                return self._works.pop(number)
        return None

    def was_attended(self, step: str, addresses: Sequence[int]) -> bool:
        """Whether somebody took part in the next such procedure."""
        wanted = (w for w in self._works if w.step == step and w.addresses == tuple(addresses))
        return any(w.attended for w in list(wanted)[:1])

    @property
    def of_this_world(self) -> bool:
        """Whether the recorded site is no simulated one."""
        return self._head.kind not in (LinkKind.SIMULATED, LinkKind.REPLAY)

    def hour(self, t_ns: int) -> float:
        """Hour of the day, 0 to 24, where the recording was made, at an instant of its clock."""
        at = self._head.wall_clock(t_ns)
        return at.hour + at.minute / 60


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"{value!r} is no number")
    return value


def _work(body: Mapping[str, Any]) -> Handwork:
    return Handwork(
        str(body["step"]),
        tuple(int(_number(a)) for a in body["addresses"]),
        bool(body["attended"]),
        {str(name): _number(value) for name, value in body["timing"].items()},
    )


def handworks(events: Iterable[RecordedEvent]) -> tuple[Handwork, ...]:
    """The procedures that might ask for hands; events that make no sense are passed over."""
    works: list[Handwork] = []
    for event in events:
        try:
            if event.kind == "HandworkBegun":
                works.append(_work(event.body))
            elif event.kind == "OperatorAnswered" and works:
                answer = RecordedAnswer(
                    bool(event.body["done"]), int(_number(event.body["exchanges"]))
                )
                works[-1].answers.append(answer)
        except (KeyError, TypeError, ValueError, AttributeError):
            continue
    return tuple(works)
