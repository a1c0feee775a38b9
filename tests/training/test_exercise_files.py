"""Exercise files: what is shipped, what the story gives away, and files with mistakes."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest

from busprobe.diagnosis.catalogue import CATALOGUE
from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings, parse_link
from busprobe.session.training_causes import CAUSES
from busprobe_sim.scenario import list_scenarios, load_scenario, open_simulated, scenario_names
from busprobe_sim.training import (
    Claim,
    assign,
    exercise_names,
    grade_answer,
    list_exercises,
    names_exercise,
    parse_answer,
    seed_for,
    split_reference,
)
from busprobe_sim.training.compose import site_names
from busprobe_sim.training.exercise import truth_key
from busprobe_sim.training.library import read_exercise


def test_there_are_enough_exercises_of_every_level() -> None:
    exercises = list_exercises()
    assert len(exercises) >= 24
    levels = [e.level for e in exercises]
    assert levels == sorted(levels)
    assert set(levels) == {1, 2, 3, 4, 5}


def test_names_do_not_clash_with_scenarios() -> None:
    assert not set(exercise_names()) & set(scenario_names())
    assert not {e.title for e in list_exercises()} & {s.title for s in list_scenarios()}


@pytest.mark.parametrize("name", exercise_names())
def test_every_stated_truth_is_a_finding_of_the_catalogue(name: str) -> None:
    exercise = read_exercise(name)
    addresses = {p.address for p in exercise.plan}
    for case in exercise.cases:
        for cause in case.truth:
            assert {cause.code, *cause.accept} <= set(CATALOGUE)
            # It can be stated on the form too.
            assert {cause.code, *cause.accept} <= set(CAUSES)
            if cause.address is not None and cause.code != "polled-absent":
                assert cause.address in addresses


@pytest.mark.parametrize("name", exercise_names())
def test_the_story_does_not_give_the_answer(name: str) -> None:
    exercise = read_exercise(name)
    told = f"{exercise.title} {exercise.story} {exercise.plan}".lower()
    for case in exercise.cases:
        for cause in case.truth:
            assert cause.code not in told
            assert cause.text.lower() not in told
    for first, second in itertools.permutations(exercise.cases, 2):
        if truth_key(first.truth) == truth_key(second.truth):
            continue
        # Who answers one case's truth to another's bus does not pass, let alone excel.
        claims = [Claim(c.code, c.address, frozenset(c.inputs)) for c in second.truth]
        grade = grade_answer(assign(name, seed_for(name, first.name)), claims)
        assert not grade.complete
        assert grade.score < 75


@pytest.mark.parametrize("name", exercise_names())
def test_nobody_passes_without_the_bus_but_by_luck(name: str) -> None:
    """Whoever knows the whole file but not the bus passes in no more than one case.

    Every answer is tried that can be put together of causes that occur, and "none"; with
    alternatives too. The seed draws each case alike.
    """
    exercise = read_exercise(name)
    given = [assign(name, seed_for(name, case.name)) for case in exercise.cases]
    assert len(given) >= 3
    causes = {
        str(Claim(c.code, c.address, frozenset(c.inputs)))
        for case in exercise.cases
        for c in case.truth
    }
    most = max(len(case.truth) for case in exercise.cases) + 1
    answers = ["none", "|".join(sorted(causes))]
    for count in range(1, most + 1):
        answers += [", ".join(some) for some in itertools.combinations(sorted(causes), count)]
    for answer in answers:
        scores = [grade_answer(each, parse_answer(answer)).score for each in given]
        assert sum(score >= 60 for score in scores) <= 1, answer
        assert sum(scores) / len(scores) < 60, answer


@pytest.mark.parametrize("name", exercise_names())
def test_seeds_draw_every_case(name: str) -> None:
    drawn = {assign(name, seed).case.name for seed in range(1, 60)}
    assert drawn == {c.name for c in read_exercise(name).cases}


def test_no_story_is_told_twice() -> None:
    stories = [e.story for e in list_exercises()]
    assert len(set(stories)) == len(stories)


def test_the_same_reference_gives_the_same_bus() -> None:
    first, second = (load_scenario("the-whole-lane@7") for _ in range(2))
    assert first.part == second.part
    assert first.seed == second.seed == 7
    assert load_scenario("random-4@7").part == load_scenario("random-4@7").part
    assert load_scenario("random-4@7").part != load_scenario("random-4@8").part


def test_a_link_reaches_an_exercise_and_does_as_it_says() -> None:
    scenario = load_scenario("manager-wont-stop@1")
    assert scenario.part.line.foreign_master is not None
    assert load_scenario("manager-wont-stop@1+alone").part.line.foreign_master is None
    assert load_scenario("clamps-everywhere@1").part.site.socket == "heat pump"
    there = load_scenario("clamps-everywhere@1+at-wheel-house+alone")
    assert there.part.site.socket == "wheel house"
    link, bus = open_simulated(parse_link("sim:the-whole-lane@7"), LineSettings(), "virtual")
    assert link.settings == LineSettings()
    assert bus.name == "the-whole-lane@7"


def test_unknown_words_and_places_are_refused() -> None:
    with pytest.raises(InputError, match="nothing that can be said"):
        load_scenario("clamps-everywhere@1+now")
    with pytest.raises(InputError, match="no socket") as refused:
        load_scenario("clamps-everywhere@1+at-moon")
    assert "wheel-house" in refused.value.next_step
    with pytest.raises(InputError, match="no exercise 'clamps'"):
        assign("clamps", 1)


def test_references_are_told_from_scenarios() -> None:
    assert split_reference("two-pairs@12+alone") == ("two-pairs", 12, ("alone",))
    assert split_reference("demo") == ("demo", None, ())
    assert names_exercise("two-pairs")
    assert names_exercise("own.yaml@3")
    assert not names_exercise("demo")
    assert not names_exercise("own.yaml")


def test_the_sites_are_invented_and_without_a_fault() -> None:
    assert set(site_names()) >= {"mill-lane", "bakery", "orchard", "smithy", "three-flats"}
    for name in site_names():
        folder = Path(__file__).parents[2] / "simulators" / "training" / "sites"
        assert "truth" not in (folder / f"{name}.yaml").read_text(encoding="utf-8")


GOOD = """\
title: A meter at the kiln
level: 2
story: The potter says that the meter of the kiln shows what it likes, mostly on Mondays.
plan:
  - {name: grid meter, address: 1}
scenario:
  from: orchard
cases:
  - name: one
    set: {devices: {press meter: {address: 1}}}
    truth: [{code: duplicate-address, address: 1, text: both on 1}]
  - name: none
"""


def written(folder: Path, text: str) -> str:
    file = folder / "kiln.yaml"
    file.write_text(text, encoding="utf-8")
    return str(file)


def test_a_trainers_own_file_is_an_exercise(tmp_path: Path) -> None:
    name = written(tmp_path, GOOD)
    cases = {assign(name, seed).case.name for seed in range(1, 20)}
    assert cases == {"one", "none"}
    assert load_scenario(f"{name}@3").part.title == "A meter at the kiln"


@pytest.mark.parametrize(
    ("old", "new", "place", "words"),
    [
        ("level: 2", "level: 9", "2:8", "level"),
        ("address: 1}\nscen", "address: 300}\nscen", "5:33", "plan.0.address"),
        ("from: orchard", "from: atlantis", "7:9", "names no site"),
        ("{address: 1}}}", "{address: 999}}}", "10:44", "devices.press meter.address"),
        ("{address: 1}}}", "{adress: 1}}}", "10:43", "adress"),
        ("press meter: {address: 1}", "press: {address: 1}", "10:10", "no device 'press'"),
        ("set: {devices", "set: {wires: 1, devices", "10:10", "'wires' is no part"),
        ("name: none", "name: one", "12:11", "names two cases"),
        ("code: duplicate-address", "code: Duplicate Address", "11:20", "cases.0.truth.0.code"),
        (
            "    truth: [{code: duplicate-address, address: 1, text: both on 1}]\n",
            "",
            "9:3",
            "cases",
        ),
        ("story: The", "story: [The", "4:5", "while parsing"),
        ("title: A", "titel: A", "1:1", "titel"),
    ],
)
def test_a_mistake_is_told_with_its_place(
    tmp_path: Path, old: str, new: str, place: str, words: str
) -> None:
    assert old in GOOD
    name = written(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(InputError) as refused:
        read_exercise(name)
    lines = refused.value.cause.splitlines()
    assert any(line.startswith(f"kiln.yaml:{place}:") and re.search(words, line) for line in lines)


def test_the_example_of_the_guide_is_an_exercise(tmp_path: Path) -> None:
    guide = (Path(__file__).parents[2] / "docs" / "training.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```yaml\n(.*?)```", guide, re.DOTALL)
    exercise = read_exercise(written(tmp_path, example))
    assert [c.name for c in exercise.cases] == ["both-on-1", "nothing-wrong"]


def test_the_guide_explains_every_code_of_the_shipped_exercises() -> None:
    guide = (Path(__file__).parents[2] / "docs" / "training.md").read_text(encoding="utf-8")
    for name in exercise_names():
        for case in read_exercise(name).cases:
            for cause in case.truth:
                assert f"`{cause.code}" in guide
