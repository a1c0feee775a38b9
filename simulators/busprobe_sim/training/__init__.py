"""Training: exercises on simulated faulty buses, and how an answer is graded."""

from busprobe_sim.training.answer import Claim, parse_answer
from busprobe_sim.training.conduct import Course, Disturbance, Request
from busprobe_sim.training.exercise import CausePart, ExercisePart
from busprobe_sim.training.grade import CauseGrade, Grade, grade_answer
from busprobe_sim.training.library import (
    Assignment,
    ExerciseSummary,
    assign,
    exercise_names,
    list_exercises,
    names_exercise,
    seed_for,
    split_reference,
)

__all__ = [
    "Assignment",
    "CauseGrade",
    "CausePart",
    "Claim",
    "Course",
    "Disturbance",
    "ExercisePart",
    "ExerciseSummary",
    "Grade",
    "Request",
    "assign",
    "exercise_names",
    "grade_answer",
    "list_exercises",
    "names_exercise",
    "parse_answer",
    "seed_for",
    "split_reference",
]
