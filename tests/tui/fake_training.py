"""A scripted trainer: two exercises and one to draw, marked as a real one would mark them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from fake_session import CT_FINDING, DUPLICATE_FINDING, FakeSession

from busprobe.model.errors import InputError
from busprobe.session.events import Step
from busprobe.session.trainee import Attempt
from busprobe.session.training import Begun, Explanation, Graded, Shown
from busprobe.session.training_room import Card, Given, Hint, Paper, Row, Standing
from busprobe_sim.training import (
    CauseGrade,
    CausePart,
    Claim,
    Disturbance,
    Grade,
    parse_answer,
)

STORY = (
    "Since the fitters left, the farm in Mill Lane sees one meter where there are two, and the "
    "heat pump is said to feed in. The farmer is not amused."
)
CARDS = (
    Card("one-meter", "A meter that comes and goes", 1, STORY, 4, 92.0, None),
    Card("mill-lane", "Two fitters, one morning", 3, STORY, 3, None, 11),
    Card("last-call", "Last call before the holidays", 5, STORY, 3, None, None),
    Card("random-3", "Drawn at level 3", 3, "Drawn by lot.", 0, 41.0, None),
)
GIVEN = Given(
    name="mill-lane",
    seed=11,
    title="Two fitters, one morning",
    level=3,
    story=STORY,
    settings="9600 8N1",
    papers=(
        Paper("grid meter", 1, True, "grid", "", ""),
        Paper("heat pump meter", 2, True, "load", "heat pump", "since spring"),
        Paper("hybrid inverter", 10, False, "hybrid", "", ""),
    ),
    hints=(
        Hint(1, 5.0, None),
        Hint(2, 10.0, None),
    ),
    par_s=800.0,
    link="sim:mill-lane@11",
    answered=0,
)
HINTS = ("Take bus and clamps one after the other.", "Prove every meter that answers alone.")
TRUTH = (
    CausePart(code="duplicate-address", address=1, text="Two meters share address 1."),
    CausePart(code="ct-reversed", address=2, inputs=("L2",), text="The CT of L2 is reversed."),
)
ROW = Row(
    "one-meter", 3, "A meter that comes and goes", 1, "2031-05-04T09:30:00+00:00", 1,
    92.0, "excellent", 1, 1, 0, 131.0, "duplicate-address@1",
)  # fmt: skip


class FakeTraining:
    """Gives out one exercise; the marks follow from what was stated."""

    def __init__(self, session: FakeSession, *, hold_explanation: bool = False) -> None:
        self.session = session
        self.calls: list[tuple[str, tuple[object, ...]]] = []
        self.given: Given | None = None
        self.graded: Graded | None = None
        self.explanation: Explanation | None = None
        self.standing = Standing(151.0, 412, False, "", 1.0)
        self.trainee = ""
        self.hold_explanation = hold_explanation
        self.refuse = ""
        self.listed = CARDS
        self.given_out = GIVEN
        self.cause_text = ""

    def _note(self, name: str, *what: object) -> None:
        self.calls.append((name, what))
        if self.refuse:
            raise InputError(self.refuse, "Choose another.")

    def cards(self) -> tuple[Card, ...]:
        if self.refuse:
            raise InputError(self.refuse, "Choose another.")
        return self.listed

    def begin(self, name: str, seed: int | None = None) -> Given:
        self._note("begin", name, seed)
        self.graded = self.explanation = None
        self.given = self.given_out
        return self.given_out

    def leave(self) -> None:
        self._note("leave")
        self.given = self.graded = None

    def take_hint(self, number: int) -> Given:
        self._note("take_hint", number)
        assert self.given is not None
        hints = tuple(
            replace(h, text=HINTS[h.number - 1]) if h.number == number else h
            for h in self.given.hints
        )
        self.given = replace(self.given, hints=hints)
        return self.given

    def unplug_master(self, alone: bool) -> None:
        self._note("unplug_master", alone)
        self.standing = replace(self.standing, alone=alone)

    def carry_heater(self, socket: str) -> None:
        self._note("carry_heater", socket)
        self.standing = replace(self.standing, socket=socket)

    def set_speed(self, speed: float) -> None:
        self._note("set_speed", speed)
        self.standing = replace(self.standing, speed=speed)

    def answer(self, text: str) -> Graded:
        self._note("answer", text)
        claims = parse_answer(text)
        told = {"text": self.cause_text} if self.cause_text else {}
        truth = tuple(cause.model_copy(update=told) for cause in TRUTH)
        causes = tuple(_graded(cause, claims) for cause in truth)
        used = {c.claim for c in causes}
        wrong = tuple(claim for claim in claims if claim not in used)
        beside = Disturbance(
            "talked-beside-master", 12, 6.2, "12 requests were sent while the energy manager polls."
        )
        share = 100.0 * sum(c.share for c in causes) / 2
        score = max(0.0, share - 30.0 * len(wrong) - 6.2)
        word = "good" if score >= 75 else "again"
        grade = Grade(
            causes, wrong, (beside,), True, False, 151.0, 800.0, share, 30.0 * len(wrong), 6.2,
            0.0, 0.0, score, word,
        )  # fmt: skip
        attempt = Attempt(exercise="mill-lane", seed=11, title=GIVEN.title, level=3, started="")
        self.graded = Graded(Begun(None, attempt), grade, True, ())
        if not self.hold_explanation:
            self.explain()
        return self.graded

    def explain(self) -> None:
        exchanges = (self.session.exchange(1, bytes.fromhex("03 0000 0002"), ()),)
        duplicate = replace(DUPLICATE_FINDING, evidence=(
            replace(DUPLICATE_FINDING.evidence[0], exchange=exchanges[0].number),
            DUPLICATE_FINDING.evidence[1],
        ))  # fmt: skip
        shown = {
            0: Shown("busprobe duplicates sim:mill-lane@11 1", duplicate, (), None,
                     Step.ADDRESSES, exchanges),
            1: Shown("busprobe wiring sim:mill-lane@11 2 --load 2000", CT_FINDING, (), None,
                     Step.WIRING, ()),
        }  # fmt: skip
        self.explanation = Explanation(shown, {0: shown[1]})

    def results(self) -> tuple[Row, ...]:
        return (replace(ROW, number=2, score=40.0, word="again", text="none"), ROW)

    def name_trainee(self, name: str) -> None:
        self._note("name_trainee", name)
        self.trainee = name

    def export(self, file: Path) -> int:
        self._note("export", file)
        return 2


def _graded(cause: CausePart, claims: tuple[Claim, ...]) -> CauseGrade:
    for claim in claims:
        for one in claim.choices:
            if (one.code, one.address) == (cause.code, cause.address):
                open_ = len(claim.choices) > 1
                share, word = (0.5, "partly") if open_ else (1.0, "found")
                comment = "the evidence tells which of them it is" if open_ else ""
                verdict: Any = word
                return CauseGrade(cause, verdict, share, claim, comment)
    return CauseGrade(cause, "missed", 0.0, None, "it was not stated")
