"""A recording may be damaged, or made by somebody else: the report tells what can be told."""

from __future__ import annotations

import contextlib
import random
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busprobe.model.errors import InputError
from busprobe.model.reading import SignConvention, Snapshot
from busprobe.recording.store import Recorder
from busprobe.report.render import HtmlRenderer, JsonRenderer
from tests.report.visits import METER, S, collided, recording, report

_PHASES = ("L1", "L2", "L3")
_NAMES = [f"{letter}_{phase}" for letter in ("V", "I", "P", "Q", "S", "PF") for phase in _PHASES]
_NAMES += ["P", "F", "E_import", "E_export", "unknown quantity"]
_HUGE = [dict.fromkeys(_NAMES, sign * 1.7e308) for sign in (1, -1, 1, 1, -1)]
_TINY = [dict.fromkeys(_NAMES, sign * 5e-324) for sign in (1, -1, 1, 1, -1)]
_JSON: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**40), 2**40) | st.floats(allow_nan=False,
    allow_infinity=False) | st.text(max_size=30),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner,
    max_size=4),
    max_leaves=12,
)  # fmt: skip
_DEVICE_KEYS = tuple(asdict(METER))


def rendered(path: Path) -> None:
    made = report(path)
    assert JsonRenderer().render(made).startswith(b"{")
    assert b"</html>" in HtmlRenderer().render(made)


@settings(max_examples=15, deadline=None)
@example(_HUGE)
@example(_TINY)
@example([{}])
@given(
    st.lists(
        st.dictionaries(
            st.sampled_from(_NAMES),
            st.floats(allow_nan=False, allow_infinity=False),
            max_size=12,
        ),
        max_size=30,
    )
)
def test_any_readings_make_a_report(rows: list[dict[str, float]]) -> None:
    def also(recorder: Recorder) -> None:
        recorder.event(
            S,
            "StepStarted",
            {
                "step": "wiring",
                "intent": "Read the meter at address 2 once a second while nobody switches "
                "anything on purpose. Nothing is written.",
            },
        )
        for number, quantities in enumerate(rows):
            t_ns = (number + 2) * S
            recorder.snapshot(Snapshot(t_ns, 2, quantities, SignConvention.UNKNOWN))

    with tempfile.TemporaryDirectory() as folder:
        rendered(recording(Path(folder) / "a.busprobe", also=also))


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.tuples(
                st.just("DeviceKnown"),
                st.dictionaries(st.sampled_from(_DEVICE_KEYS), _JSON, max_size=9),
            ),
            st.tuples(
                st.sampled_from(
                    ["WiringSeen", "StepStarted", "StepFinished", "FindingCleared", "new kind"]
                ),
                st.dictionaries(
                    st.sampled_from(["address", "diagnosis", "step", "intent", "code", "verdict"]),
                    _JSON | st.just("wiring"),
                    max_size=5,
                ),
            ),
        ),
        max_size=8,
    )
)
def test_any_events_make_a_report(events: list[tuple[str, dict[str, Any]]]) -> None:
    def also(recorder: Recorder) -> None:
        for number, (kind, body) in enumerate(events):
            whole = {**asdict(METER), **body} if kind == "DeviceKnown" else body
            recorder.event(number * S, kind, whole)
        recorder.snapshot(Snapshot(9 * S, 2, {"P": 5.0, "V_L1": 230.0}, SignConvention.UNKNOWN))

    with tempfile.TemporaryDirectory() as folder:
        rendered(recording(Path(folder) / "a.busprobe", also=also))


@pytest.mark.parametrize("seed", range(6))
def test_a_damaged_recording_is_reported_or_refused(seed: int, tmp_path: Path) -> None:
    path = collided(tmp_path / "visit.busprobe")
    chance = random.Random(seed)
    data = bytearray(path.read_bytes())
    for _ in range(chance.choice((1, 5, 40))):
        at = chance.randrange(100, len(data))
        data[at : at + chance.randint(1, 60)] = chance.randbytes(chance.randint(1, 60))
    del data[chance.choice((len(data), len(data) * 2 // 3)) :]
    path.write_bytes(bytes(data))
    with contextlib.suppress(InputError):
        rendered(path)
    assert path.read_bytes() == bytes(data)
