"""The technician at the screen, as a procedure sees them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from busprobe.procedures.operator import HandRequest
    from busprobe.session.ports import Hands

# A simulated colleague needs a moment to plug in the heater.
_HANDS_DELAY_NS = 1_000_000_000


class ScreenOperator:
    """Takes the answer of the technician from the face; the job tells what is asked."""

    def __init__(self, hands: Hands | None) -> None:
        self._hands = hands
        self._request: HandRequest | None = None
        self._now_ns = 0
        self._answer: bool | None = None
        self.always_hands = False

    def ask(self, request: HandRequest, now_ns: int) -> None:
        """Take note of what is asked; the technician answers later."""
        self._request, self._now_ns, self._answer = request, now_ns, None
        if self.always_hands:
            self.let_hands()

    def answer(self) -> bool | None:
        """What the technician answered, None while nothing."""
        return self._answer

    def give(self, done: bool) -> None:
        """The technician did it, or refuses."""
        self._answer = done

    def let_hands(self) -> None:
        """The simulated hands do this request and all that follow."""
        self.always_hands = True
        request = self._request
        if self._hands is None or request is None or self._answer is not None:
            return
        from busprobe.session.ports import do_by_hands

        self._answer = do_by_hands(self._hands, request, self._now_ns + _HANDS_DELAY_NS)
