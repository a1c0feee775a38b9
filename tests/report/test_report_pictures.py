"""Pictures: the numbers are where they belong."""

from __future__ import annotations

import cmath
import math
import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.diagnosis.wiring import KnownLoad, WiringDiagnosis, WiringVerdict, diagnose_wiring
from busprobe.model.series import Series
from busprobe.report.health import histogram_picture
from busprobe.report.pictures import draw
from busprobe.report.pictures.data import (
    BusDrop,
    BusPicture,
    BusUnit,
    CollisionPicture,
    EnergyNode,
    EnergyPicture,
    HistogramPicture,
    Phasor,
    PhasorPicture,
    Picture,
    Speech,
    TrendLine,
    TrendMark,
    TrendPicture,
)
from busprobe.report.pictures.svg import (
    PHASE_COLOURS,
    PHASE_DASHES,
    Drawing,
    fitted,
    nice_ticks,
)
from busprobe.report.plots import phasor_picture, trend_picture
from busprobe.report.wiring_evidence import WiringTest

SPACE = "{http://www.w3.org/2000/svg}"


def elements(picture: Picture, tag: str) -> list[ET.Element]:
    return list(ET.fromstring(draw(picture).svg("p")).iter(f"{SPACE}{tag}"))


def words(picture: Picture) -> list[str]:
    return [str(e.text) for e in elements(picture, "text")]


def numbers(element: ET.Element, *names: str) -> list[float]:
    return [float(str(element.get(name))) for name in names]


def phasors(*angles: float) -> PhasorPicture:
    return PhasorPicture(
        voltages=(Phasor(name="L1", magnitude=230, angle_deg=0),),
        currents=tuple(
            Phasor(name=f"L{n}", magnitude=10, angle_deg=a) for n, a in enumerate(angles, 1)
        ),
        right_voltages=(),
        right_currents=(),
        caption="",
    )


@given(st.floats(-180, 180))
def test_a_phasor_points_where_its_angle_says(angle: float) -> None:
    picture = phasors(angle)
    line = next(
        e for e in elements(picture, "line") if e.get("stroke-width") == "3.2"
        and e.get("stroke") == PHASE_COLOURS["L1"]
    )  # fmt: skip
    x1, y1, x2, y2 = numbers(line, "x1", "y1", "x2", "y2")
    # Counter-clockwise is up on paper: the oracle is the complex exponential.
    drawn = complex(x2 - x1, y1 - y2)
    wanted = cmath.exp(1j * math.radians(angle))
    assert abs(drawn / abs(drawn) - wanted) < 0.02


def test_one_dial_or_two() -> None:
    alone = phasors(10, -110)
    assert draw(alone).width == 330
    both = alone.model_copy(
        update={"right_voltages": alone.voltages, "right_currents": alone.currents}
    )
    assert draw(both).width == 660
    assert "as it should be" in words(both)
    assert "as it should be" not in words(alone)


def test_phases_differ_in_colour_and_in_dash() -> None:
    assert len(set(PHASE_COLOURS.values())) == 3
    assert len(set(PHASE_DASHES.values())) == 3
    picture = TrendPicture(
        t_s=(0.0, 1.0, 2.0),
        lines=tuple(TrendLine(name=p, values=(0.0, 1.0, 2.0)) for p in ("L1", "L2", "L3")),
        marks=(),
        unit="W",
    )
    drawn = {(e.get("stroke"), e.get("stroke-dasharray")) for e in elements(picture, "polyline")}
    assert len({colour for colour, _ in drawn}) == len({dash for _, dash in drawn}) == 3


def test_a_trend_keeps_its_gaps_and_numbers_its_marks() -> None:
    picture = TrendPicture(
        t_s=(0.0, 1.0, 2.0, 3.0, 4.0),
        lines=(TrendLine(name="L1", values=(0.0, -500.0, None, 100.0, 100.0)),),
        marks=(TrendMark(t_s=1.0, label="L1"), TrendMark(t_s=3.0, label="L1")),
        unit="W",
    )
    lines = elements(picture, "polyline")
    assert len(lines) == 2
    first = [tuple(map(float, p.split(","))) for p in str(lines[0].get("points")).split()]
    assert first[1][1] > first[0][1], "a power that falls is drawn downwards"
    assert {"1", "2"} <= set(words(picture))


def test_a_long_trend_is_thinned_without_losing_its_peaks() -> None:
    count = 20_000
    values = [100.0 * math.sin(n / 50) for n in range(count)]
    values[12_345] = 4000.0
    values[7_777] = -3000.0
    series = Series(tuple(map(float, range(count))), {"P_L1": tuple(values)})
    nothing = WiringDiagnosis(WiringVerdict.UNDECIDED, 0.0, (), "unknown", (), None, ())
    picture = trend_picture(WiringTest(2, nothing, "", series))
    assert picture is not None
    assert len(picture.t_s) <= 400
    assert list(picture.t_s) == sorted(picture.t_s)
    kept = [v for v in picture.lines[0].values if v is not None]
    assert (max(kept), min(kept)) == (4000.0, -3000.0)


@given(
    st.floats(0.5, 60.0),
    st.floats(-179.0, 179.0),
    st.sampled_from(["L1", "L2", "L3"]),
)
def test_the_angle_of_a_current_is_that_of_its_powers(
    current: float, lag_deg: float, phase: str
) -> None:
    # S = U I* (IEC 60050-131, complex power): a positive Q is a current that lags.
    nominal = {"L1": 0.0, "L2": -120.0, "L3": 120.0}[phase]
    voltage = cmath.rect(230.0, math.radians(nominal))
    true = cmath.rect(current, math.radians(nominal - lag_deg))
    power = voltage * true.conjugate()
    columns = {
        f"V_{phase}": (230.0,) * 8,
        f"I_{phase}": (current,) * 8,
        f"P_{phase}": (power.real,) * 8,
        f"Q_{phase}": (power.imag,) * 8,
    }
    nothing = WiringDiagnosis(WiringVerdict.UNDECIDED, 0.0, (), "unknown", (), None, ())
    series = Series(tuple(map(float, range(8))), columns)
    picture = phasor_picture(WiringTest(2, nothing, "", series))
    assert picture is not None
    (drawn,) = picture.currents
    turned = cmath.rect(1.0, math.radians(drawn.angle_deg)) / (true / abs(true))
    assert abs(math.degrees(cmath.phase(turned))) < 0.2
    assert picture.right_currents == ()


def test_a_swapped_pair_is_drawn_on_its_own_conductors() -> None:
    # CTs of L1 and L2 exchanged: each input gets the current of the other conductor.
    angles = {"L1": 0.0, "L2": -120.0, "L3": 120.0}
    places = {"L1": "L2", "L2": "L1", "L3": "L3"}
    columns: dict[str, list[float]] = {}
    for second in range(90):
        for place, conductor in places.items():
            number = int(conductor[1])
            on = 20 * number <= second < 20 * number + 10
            # 2 kW without reactive power on top of a steady, slightly lagging house.
            true = cmath.rect(2.0 + number, math.radians(angles[conductor] - 20.0))
            true += cmath.rect(2000 / 230 if on else 0.0, math.radians(angles[conductor]))
            power = cmath.rect(230.0, math.radians(angles[place])) * true.conjugate()
            noise = ((second * 7) % 5 - 2) * 1.5
            for name, value in (
                (f"V_{place}", 230.0 - 0.5 * (second % 2)), (f"I_{place}", abs(true)),
                (f"P_{place}", power.real + noise), (f"Q_{place}", power.imag - noise),
            ):  # fmt: skip
                columns.setdefault(name, []).append(value)
    series = Series(tuple(map(float, range(90))), {n: tuple(v) for n, v in columns.items()})
    diagnosis = diagnose_wiring(series, KnownLoad(2000.0))
    assert diagnosis.verdict is WiringVerdict.FAULT
    assert [c.conductor for c in diagnosis.explanations[0].cts] == ["L2", "L1", "L3"]
    picture = phasor_picture(WiringTest(2, diagnosis, "", series))
    assert picture is not None
    right = {p.name: p for p in picture.right_currents}
    for name, nominal in angles.items():
        apart = (right[name].angle_deg - nominal + 180) % 360 - 180
        assert -20 <= apart <= 1, "wired right, each current is near its own voltage"
    assert [right[p].changed for p in ("L1", "L2", "L3")] == [True, True, False]


def test_a_double_address_hangs_twice_on_one_drop() -> None:
    unit = BusUnit(title="Nixenfurt NF 3F", subtitle="S/N 1")
    picture = BusPicture(
        link="/dev/ttyUSB0",
        drops=(
            BusDrop(address=1, units=(unit, unit), state="duplicate"),
            BusDrop(address=2, units=(unit,), state="single"),
        ),
    )
    assert words(picture).count("Nixenfurt NF 3F") == 3
    assert "✘ 2 devices" in words(picture)
    dashed = [e for e in elements(picture, "rect") if e.get("stroke-dasharray")]
    assert len(dashed) == 2


def test_many_devices_stay_on_the_paper() -> None:
    unit = BusUnit(title="A maker with a very long name indeed", subtitle="S/N 123456789012345")
    picture = BusPicture(
        link="x",
        drops=tuple(BusDrop(address=n, units=(unit,), state="single") for n in range(1, 33)),
    )
    drawing = draw(picture)
    for box in elements(picture, "rect"):
        x, y, width, height = numbers(box, "x", "y", "width", "height")
        assert 0 <= x <= x + width <= drawing.width
        assert 0 <= y <= y + height <= drawing.height


def test_a_collision_is_to_scale() -> None:
    def speech(kind: str, start: float, end: float) -> Speech:
        return Speech.model_validate(
            {"kind": kind, "start_ms": start, "end_ms": end, "characters": 9, "hex": "01",
             "label": "x"}
        )  # fmt: skip

    picture = CollisionPicture(
        address=1,
        exchange=7,
        speeches=(
            speech("request", 0, 8),
            speech("answer", 30, 40),
            speech("noise", 40, 60),
        ),
        errors_ms=(),
        marks_known=False,
        uncertainty_ms=1.0,
    )
    boxes = [numbers(e, "x", "width") for e in elements(picture, "rect")]
    (x0, w0), (x1, w1), (x2, w2) = boxes
    scale = w0 / 8
    assert (w1 / scale, w2 / scale) == (pytest.approx(10, rel=0.01), pytest.approx(20, rel=0.01))
    assert ((x1 - x0) / scale, (x2 - x0) / scale) == (
        pytest.approx(30, rel=0.01),
        pytest.approx(40, rel=0.01),
    )
    assert any("does not tell" in w for w in words(picture))


@given(
    st.lists(
        st.tuples(st.text(max_size=3), st.lists(st.floats(0.1, 500.0), min_size=1, max_size=40)),
        min_size=1,
        max_size=5,
    )
)
def test_every_answer_is_in_one_bin(times: list[tuple[str, list[float]]]) -> None:
    picture = histogram_picture(times)
    if sum(len(values) for _, values in times) < 2:
        assert picture is None
        return
    assert isinstance(picture, HistogramPicture)
    for row, (_, values) in zip(picture.rows, times, strict=True):
        assert sum(row.counts) == row.total == len(values)
        assert len(row.counts) <= 40
    low = min(min(values) for _, values in times)
    assert picture.first_ms <= low + 1e-3
    draw(picture).svg("p")


def test_power_flows_point_the_way_of_their_sign() -> None:
    def arrow(role: str, power: float) -> str:
        node = EnergyNode.model_validate({"name": "n", "role": role, "power_w": power, "note": ""})
        head = elements(EnergyPicture(nodes=(node,)), "polygon")[0]
        tip = float(str(head.get("points")).split(",")[0])
        return "bar" if 300 < tip < 360 else "node"

    assert arrow("grid", 500) == "bar"
    assert arrow("grid", -500) == "node"
    assert arrow("generation", -500) == "bar"
    assert arrow("storage", 500) == "node"
    assert arrow("house", 500) == "node"
    unsure = EnergyPicture(
        nodes=(EnergyNode(name="n", role="grid", power_w=None, note="+5 W, sign open"),)
    )
    assert elements(unsure, "polygon") == []
    assert "+5 W, sign open" in words(unsure)


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e5), st.integers(3, 10))
def test_ticks_are_round_few_and_inside(low: float, span: float, most: int) -> None:
    ticks = nice_ticks(low, low + span, most)
    assert len(ticks) <= most + 1
    assert all(low - 1e-6 * span <= t <= low + span + 1e-6 * span for t in ticks)
    if len(ticks) > 1:
        step = ticks[1] - ticks[0]
        digits = step / 10 ** math.floor(math.log10(step) + 1e-9)
        assert min(abs(digits - nice) for nice in (1, 2, 5, 10)) < 1e-3


@given(st.text(), st.text(), st.text())
def test_any_text_leaves_a_sound_picture(title: str, description: str, label: str) -> None:
    # Characters that XML cannot hold never get here: the content writes them out.
    def sound(text: str) -> str:
        return re.sub(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "", text)

    drawing = Drawing(10, 10, sound(title), sound(description))
    drawing.text(1, 1, sound(label))
    root = ET.fromstring(drawing.svg("p"))
    assert root.find(f"{SPACE}text") is not None


def test_texts_are_cut_to_their_place() -> None:
    assert fitted("short", 200, 11) == "short"
    cut = fitted("a text that is far too long for its box", 60, 11)
    assert cut.endswith("…")
    assert len(cut) <= 12
