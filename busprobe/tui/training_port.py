"""What the screens need for training: the only thing through which they give out and mark."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from pathlib import Path

    from busprobe.session.training import Explanation, Graded
    from busprobe.session.training_room import Card, Given, Row, Standing


class Training(Protocol):
    """One exercise at a time on the bus of the session; errors are `InputError`s."""

    @property
    def given(self) -> Given | None:
        """The exercise that is being worked on, or None."""

    @property
    def standing(self) -> Standing:
        """Time used, requests, hands."""

    @property
    def graded(self) -> Graded | None:
        """The marks, once the exercise was answered."""

    @property
    def explanation(self) -> Explanation | None:
        """What was missed, by evidence; None while it is being worked out."""

    @property
    def trainee(self) -> str:
        """Name of the trainee, or ""."""

    def cards(self) -> tuple[Card, ...]:
        """Every exercise there is."""

    def begin(self, name: str, seed: int | None = None) -> Given:
        """Give out an exercise: its name, NAME@SEED, or the path of a file."""

    def leave(self) -> None:
        """Leave the exercise."""

    def take_hint(self, number: int) -> Given:
        """Take a hint at its price."""

    def unplug_master(self, alone: bool) -> None:
        """Have another master unplugged, or plugged in again."""

    def carry_heater(self, socket: str) -> None:
        """Have the test heater carried; "" for the usual socket."""

    def set_speed(self, speed: float) -> None:
        """Let the time of the line run so many times faster."""

    def answer(self, text: str) -> Graded:
        """Mark an answer."""

    def results(self) -> tuple[Row, ...]:
        """Every answer so far, the latest first."""

    def name_trainee(self, name: str) -> None:
        """Put the trainee's name into the results."""

    def export(self, file: Path) -> int:
        """Write every answer to a file; returns how many."""
