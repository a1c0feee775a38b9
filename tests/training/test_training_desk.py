"""The training desk that both faces use."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

import busprobe_sim.training as exercises
from busprobe.launch import link_opener
from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings, parse_link
from busprobe.session.job import Job
from busprobe.session.keeping import begin_recording
from busprobe.session.trainee import load_logbook
from busprobe.session.training import Explanation, TrainingDesk
from busprobe.session.values import FindPlan
from busprobe_sim.ports.virtual import run_virtual

NOW = datetime(2031, 5, 4, 9, 30, tzinfo=UTC)


@pytest.fixture
def desk(tmp_path: Path) -> TrainingDesk:
    return TrainingDesk(exercises, link_opener(pace="virtual"), tmp_path / "ada.json", "Ada")


def test_a_live_job_and_its_recording_are_judged_alike(desk: TrainingDesk, tmp_path: Path) -> None:
    seed = exercises.seed_for("who-is-talking", "manager-polls")
    begun = desk.begin("who-is-talking", seed, now=NOW)
    file = tmp_path / "scan.busprobe"
    live = []

    async def work() -> None:
        endpoint = parse_link(begun.assignment.link)
        opened = await link_opener(pace="virtual")(endpoint, LineSettings())
        job = Job(opened, endpoint, lambda e: None, recorder=begin_recording(file, opened.link))
        await job.find(
            FindPlan(addresses=(1, 2), settings=LineSettings(), insist=True, duplicates=False)
        )
        live.append(desk.course_of_job(job, "scan", 0.0))
        await job.close()

    run_virtual(work())
    name = "who-is-talking"
    by_job = desk.answer(name, seed, "foreign-master", now=NOW, courses=live)
    by_file = desk.answer(name, seed, "foreign-master", now=NOW, recordings=[file])
    assert by_job.courses[0].requests
    assert by_job.courses[0].requests == by_file.courses[0].requests
    assert by_job.grade.conduct == by_file.grade.conduct
    assert [d.kind for d in by_job.grade.conduct] == ["talked-beside-master"]
    assert by_job.counts
    assert not by_file.counts


def test_an_attempt_goes_on_until_it_is_answered(desk: TrainingDesk, tmp_path: Path) -> None:
    first = desk.begin("two-pairs", now=NOW)
    assert desk.begin("two-pairs", now=NOW).assignment.seed == first.assignment.seed
    hinted = desk.begin("two-pairs", now=NOW, hint=2)
    assert hinted.attempt.hints == [2]
    graded = desk.answer("two-pairs", None, "none", now=NOW)
    assert graded.grade.hint_points == first.assignment.exercise.hints[1].price
    book = load_logbook(tmp_path / "ada.json")
    assert book.trainee == "Ada"
    assert [len(a.answers) for a in book.attempts] == [1]
    assert book.attempts[0].started == "2031-05-04T09:30:00+00:00"
    # The next one is begun anew; the answer again is to the latest.
    assert desk.answer("two-pairs", None, "none", now=NOW).begun.attempt.seed == (
        first.assignment.seed
    )
    desk.begin("two-pairs", now=NOW)
    assert len(load_logbook(tmp_path / "ada.json").attempts) == 2


def test_what_was_found_needs_no_explanation(desk: TrainingDesk) -> None:
    seed = exercises.seed_for("strange-answers", "echo")
    graded = desk.answer("strange-answers", seed, "echo-heard", now=NOW)
    assert run_virtual(desk.explain(graded)) == Explanation({}, {})


def test_a_refused_answer_is_not_kept(desk: TrainingDesk, tmp_path: Path) -> None:
    desk.begin("two-pairs", 1, now=NOW)
    with pytest.raises(InputError):
        desk.answer("two-pairs", 1, "everything", now=NOW)
    assert load_logbook(tmp_path / "ada.json").attempts[0].answers == []
