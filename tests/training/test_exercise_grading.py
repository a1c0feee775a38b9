"""Grading: answers, disturbance of the bus, hints and time."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.model.errors import InputError
from busprobe_sim.training import (
    Claim,
    Course,
    Request,
    assign,
    grade_answer,
    parse_answer,
    seed_for,
)
from busprobe_sim.training.conduct import disturbances, time_points
from busprobe_sim.training.exercise import ConductPart


def given_case(name: str, case: str):
    return assign(name, seed_for(name, case))


LANE = given_case("the-whole-lane", "shared-reversed-echo")
MANAGER = given_case("manager-wont-stop", "forge-dead")
RIGHT = "duplicate-address@1, ct-reversed@3/L2, echo-heard"


def course(*requests: Request, name: str = "a", began: float = 0.0, alone: bool = False) -> Course:
    return Course(name, began, 60.0, requests, alone)


def read(t_s: float, address: int = 1, function: int = 3) -> Request:
    return Request(t_s, address, function)


@pytest.mark.parametrize(
    ("text", "claims"),
    [
        ("none", ()),
        ("  Nothing ", ()),
        ("echo-heard", (Claim("echo-heard"),)),
        ("ct-reversed @ 2 / L1 + L3", (Claim("ct-reversed", 2, frozenset({"L1", "L3"})),)),
        ("ct-reversed@2/L1; ct-reversed@2:L3", (Claim("ct-reversed", 2, frozenset({"L1", "L3"})),)),
        ("ct-dead@1, ct-dead@2", (Claim("ct-dead", 1), Claim("ct-dead", 2))),
    ],
)
def test_answers_are_read(text: str, claims: tuple[Claim, ...]) -> None:
    assert parse_answer(text) == claims


@pytest.mark.parametrize("text", ["", " , ", "ct reversed", "ct-dead@0", "ct-dead@248", "L1@2/L9",
                                  "none, ct-dead@1", "ct-dead@1/L4"])  # fmt: skip
def test_what_is_no_answer_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        parse_answer(text)


@given(
    st.builds(
        Claim,
        st.sampled_from(["ct-dead", "echo-heard", "duplicate-address"]),
        st.none() | st.integers(1, 247),
        st.frozensets(st.sampled_from(["L1", "L2", "L3"])),
    )
)
def test_a_claim_is_read_as_it_is_written(claim: Claim) -> None:
    assert parse_answer(str(claim)) == (claim,)


def test_the_whole_truth_is_full_marks() -> None:
    grade = grade_answer(LANE, parse_answer(RIGHT))
    assert grade.complete
    assert (grade.score, grade.word) == (100.0, "excellent")
    assert not grade.judged_conduct


def test_what_was_missed_costs_its_share() -> None:
    grade = grade_answer(LANE, parse_answer("duplicate-address@1, ct-reversed@3/L2"))
    assert [c.verdict for c in grade.causes] == ["found", "found", "missed"]
    assert grade.score == pytest.approx(66.7)
    assert not grade.complete


@pytest.mark.parametrize(
    ("reversed_claim", "share"),
    [("ct-reversed@3", 0.8), ("ct-reversed@3/L1", 0.5), ("ct-reversed@2/L2", 0.5)],
)
def test_half_an_answer_is_partly_right(reversed_claim: str, share: float) -> None:
    grade = grade_answer(LANE, parse_answer(f"duplicate-address@1, echo-heard, {reversed_claim}"))
    graded = grade.causes[1]
    assert (graded.verdict, graded.share) == ("partly", share)
    assert graded.comment
    assert not grade.wrong


def test_what_is_not_so_costs() -> None:
    grade = grade_answer(LANE, parse_answer(f"{RIGHT}, noisy-line"))
    assert grade.wrong == (Claim("noisy-line"),)
    assert grade.score == 55.0
    assert not grade.complete


def test_a_healthy_bus_wants_none() -> None:
    healthy = given_case("who-is-talking", "alone")
    assert grade_answer(healthy, ()).score == 100.0
    assert grade_answer(healthy, parse_answer("echo-heard")).score == 5.0


def test_what_the_bus_cannot_tell_apart_counts_in_full() -> None:
    for code in ("device-silent", "polled-absent", "swapped-pair"):
        assert grade_answer(MANAGER, parse_answer(f"foreign-master, {code}@2")).complete
    # Two words for one cause are not one right and one wrong.
    both = parse_answer("foreign-master, device-silent@2, polled-absent@2")
    assert grade_answer(MANAGER, both).complete


def test_hints_cost_their_price_once() -> None:
    prices = [h.price for h in LANE.exercise.hints]
    grade = grade_answer(LANE, parse_answer(RIGHT), hints=(1, 2, 1))
    assert grade.hint_points == sum(prices)
    assert grade.score == 100.0 - sum(prices)


def test_listening_first_is_free() -> None:
    listened = course(name="listen", began=1.0)
    talked = course(read(0.1), name="scan", began=2.0)
    rules = ConductPart()
    assert disturbances([talked, listened], rules, master=False) == ()
    (found,) = disturbances([talked], rules, master=False)
    assert found.kind == "talked-before-listening"
    assert disturbances([course(read(3.0))], rules, master=False) == ()


def test_talking_beside_the_master_costs_by_the_request() -> None:
    few = course(*(read(3.0 + t) for t in range(10)))
    many = course(*(read(3.0 + t) for t in range(400)))
    rules = ConductPart()
    (mild,) = disturbances([few], rules, master=True)
    (rude,) = disturbances([many], rules, master=True)
    assert (mild.kind, mild.points, rude.points) == ("talked-beside-master", 6.0, 20.0)
    assert disturbances([few], ConductPart(requests_beside_master=10), master=True) == ()
    assert disturbances([few], rules, master=False) == ()


def test_unplugging_the_master_is_cheaper_than_talking_over_it() -> None:
    alone = course(*(read(3.0 + t) for t in range(400)), alone=True)
    (found,) = disturbances([alone], ConductPart(), master=True)
    assert (found.kind, found.points) == ("master-unplugged", 2.0)


# MODBUS Application Protocol V1.1b3, section 6: 05, 06, 0F, 10, 15, 16 and 17 (hex) write.
@pytest.mark.parametrize("function", [5, 6, 15, 16, 21, 22, 23])
def test_writes_are_needless(function: int) -> None:
    (found,) = disturbances([course(read(3.0, 1, function))], ConductPart(), master=False)
    assert (found.kind, found.points) == ("wrote", 25.0)


@pytest.mark.parametrize("function", [1, 2, 3, 4, 7, 11, 12, 17, 20, 24, 43])
def test_reads_are_not(function: int) -> None:
    assert disturbances([course(read(3.0, 1, function))], ConductPart(), master=False) == ()


@pytest.mark.parametrize("address", [0, 248, 255])
def test_broadcasts_and_reserved_addresses_are_needless(address: int) -> None:
    (found,) = disturbances([course(read(3.0, address))], ConductPart(), master=False)
    assert found.kind == "broadcast-or-reserved"


def test_a_second_search_of_the_whole_line_is_needless() -> None:
    sweep = [read(3.0 + a, a) for a in range(1, 248)]
    rules = ConductPart()
    assert disturbances([course(*sweep)], rules, master=False) == ()
    (found,) = disturbances([course(*sweep), course(*sweep, name="b")], rules, master=False)
    assert (found.kind, found.count) == ("swept-again", 1)


def test_time_costs_beyond_par_and_not_without_end() -> None:
    assert time_points(300.0, 300.0) == 0.0
    assert time_points(330.0, 300.0) == 1.0
    assert time_points(90_000.0, 300.0) == 10.0


CODES = st.sampled_from(["duplicate-address", "ct-reversed", "echo-heard", "noisy-line", "ct-dead"])
CLAIMS = st.lists(
    st.builds(
        Claim,
        CODES,
        st.none() | st.integers(1, 4),
        st.frozensets(st.sampled_from(["L1", "L2"])),
    ),
    max_size=6,
)
REQUESTS = st.builds(Request, st.floats(0, 1e3), st.integers(0, 255), st.integers(1, 127))
COURSES = st.lists(
    st.builds(
        Course,
        st.text(max_size=3),
        st.floats(0, 1e9),
        st.floats(0, 1e5),
        st.lists(REQUESTS, max_size=5).map(tuple),
        st.booleans(),
    ),
    max_size=3,
)


@given(CLAIMS, COURSES)
def test_a_score_lies_between_0_and_100_and_adds_up(claims: list[Claim], courses: list) -> None:
    grade = grade_answer(LANE, claims, courses)
    assert 0.0 <= grade.score <= 100.0
    off = grade.wrong_points + grade.conduct_points + grade.time_points + grade.hint_points
    assert grade.score == pytest.approx(max(0.0, grade.cause_points - off), abs=0.11)
    assert grade.complete == (all(c.verdict == "found" for c in grade.causes) and not grade.wrong)


@given(CLAIMS)
def test_a_wrong_claim_more_never_pays(claims: list[Claim]) -> None:
    with_wrong = [*claims, Claim("jabber")]
    assert grade_answer(LANE, with_wrong).score <= grade_answer(LANE, claims).score


# -- what is left open ------------------------------------------------------------------------

DEAD = given_case("one-meter-silent", "dead")


def test_alternatives_are_read_and_written() -> None:
    (claim,) = parse_answer("device-silent@2 | swapped-pair@2|device-silent@2")
    assert str(claim) == "device-silent@2|swapped-pair@2"
    assert claim.choices == (Claim("device-silent", 2), Claim("swapped-pair", 2))
    with pytest.raises(InputError):
        parse_answer("device-silent@2|")
    with pytest.raises(InputError):
        parse_answer("device-silent@2|none")


def test_leaving_open_what_the_bus_cannot_tell_counts_in_full() -> None:
    grade = grade_answer(DEAD, parse_answer("swapped-pair@2|device-silent@2"))
    assert grade.complete
    assert grade.score == 100.0


@pytest.mark.parametrize(
    "text",
    ["device-silent@2|settings-differ@2", "device-silent@2|device-silent@1",
     "duplicate-address@1|settings-differ@2|device-silent@2"],
)  # fmt: skip
def test_leaving_open_what_the_evidence_decides_is_half(text: str) -> None:
    grade = grade_answer(DEAD, parse_answer(text))
    assert [(c.verdict, c.share) for c in grade.causes] == [("partly", 0.5)]
    assert grade.causes[0].comment
    assert not grade.wrong
    assert grade.word == "again"


def test_alternatives_of_which_none_is_true_are_not_so() -> None:
    grade = grade_answer(DEAD, parse_answer("duplicate-address@1|settings-differ@2"))
    assert [str(claim) for claim in grade.wrong] == ["duplicate-address@1|settings-differ@2"]
    assert grade.score == 0.0


# -- a guess ----------------------------------------------------------------------------------


def test_a_guess_counts_nothing_where_it_is_known_to_be_one() -> None:
    grade = grade_answer(DEAD, parse_answer("device-silent@2"), (), all_known=True)
    assert grade.guessed
    assert grade.score == 0.0
    assert grade.judged_conduct
    used = grade_answer(DEAD, parse_answer("device-silent@2"), (course(),), all_known=True)
    assert not used.guessed
    assert used.score == 100.0
    # Without recordings nobody knows.
    assert not grade_answer(DEAD, parse_answer("device-silent@2")).guessed
