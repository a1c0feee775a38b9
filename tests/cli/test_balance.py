"""`busprobe balance` as other programs and people call it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from busprobe.model.series import Series
from tests.cli.test_commands import busprobe, checked
from tests.diagnosis.balance.energy_sites import EnergySite, Generator, draw

REVERSED = (-1.0, -1.0, -1.0)
LIVE = ("--grid", "1", "--generator", "2:9000", "--duration", "60")


def written(path: Path, series: dict[str, Series], marks: dict[int, str] | None = None) -> Path:
    """One row per reading of the first meter, the readings of the others beside it."""
    rows = min(len(one.t_s) for one in series.values())
    names = [(meter, quantity) for meter, one in series.items() for quantity in one.columns]
    lines = [",".join(["t", *(f"{m}.{q}" for m, q in names), "mark"])]
    first = next(iter(series.values()))
    for row in range(rows):
        values = [str(series[m].columns[q][row]) for m, q in names]
        lines.append(",".join([f"{first.t_s[row]:.2f}", *values, (marks or {}).get(row, "")]))
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def drawn(site: EnergySite, seed: int = 21) -> dict[str, Series]:
    return draw(np.random.default_rng(seed), site).series


def meters_of(document: dict) -> dict[str, dict]:
    return {m["name"]: m for m in document["result"]["meters"]}


def test_a_series_with_roles_by_name(tmp_path: Path) -> None:
    file = written(
        tmp_path / "a.csv", drawn(EnergySite(generators={"gen": Generator(shown=REVERSED)}))
    )
    ran = busprobe("balance", "--series", file, "--json")
    document = checked(ran, "balance")
    assert ran.status == 1
    assert document["result"]["verdict"] == "fault"
    meter = meters_of(document)["gen"]
    assert (meter["role"], meter["sign"], meter["ratio"]) == ("generator", "reversed", 1.0)
    assert meter["phases"] == ["L1", "L2", "L3"]
    assert meter["probability"] > 0.999
    assert [f["code"] for f in document["findings"]] == ["balance-meter-reversed"]
    assert document["findings"][0]["caution"]


def test_a_right_series_ends_with_status_0(tmp_path: Path) -> None:
    file = written(tmp_path / "a.csv", drawn(EnergySite()))
    ran = busprobe("balance", "--series", file)
    assert ran.status == 0
    assert "CORRECT" in ran.out


def test_names_of_our_own_are_given_as_roles(tmp_path: Path) -> None:
    series = drawn(EnergySite())
    file = written(tmp_path / "a.csv", {"house": series["grid"], "barn": series["gen"]})
    refused = busprobe("balance", "--series", file)
    assert refused.status == 2
    assert "--grid NAME" in refused.err
    ran = busprobe(
        "balance", "--series", file, "--grid", "house", "--generator", "barn:8000", "--json"
    )
    assert checked(ran, "balance")["result"]["verdict"] == "correct"


def test_the_sign_of_a_generators_meter_can_be_told(tmp_path: Path) -> None:
    file = written(
        tmp_path / "a.csv", drawn(EnergySite(generators={"gen": Generator(shown=REVERSED)}))
    )
    ran = busprobe("balance", "--series", file, "--generation", "draws", "--json")
    assert meters_of(checked(ran, "balance"))["gen"]["sign"] == "right"


def test_steady_sun_is_undecided_with_the_next_experiment(tmp_path: Path) -> None:
    gen = Generator(sky="clear", level=0.06, rated_w=3000.0)
    series = drawn(EnergySite("busy", generators={"gen": gen}, duration_s=60.0))
    document = checked(
        busprobe("balance", "--series", written(tmp_path / "a.csv", series), "--json"), "balance"
    )
    assert document["result"]["verdict"] == "undecided"
    assert meters_of(document)["gen"]["sign"] == "unknown"
    assert "Hold gen back" in document["result"]["next_experiment"]


def test_json_lines_are_read_as_well(tmp_path: Path) -> None:
    series = drawn(EnergySite())
    rows = [
        json.dumps(
            {"t": series["grid"].t_s[n]}
            | {f"{m}.{q}": v[n] for m, one in series.items() for q, v in one.columns.items()}
        )
        for n in range(len(series["grid"].t_s) - 2)
    ]
    file = tmp_path / "a.jsonl"
    file.write_text("\n".join(rows), encoding="utf-8")
    document = checked(busprobe("balance", "--series", file, "--json"), "balance")
    assert document["result"]["verdict"] == "correct"


def test_a_live_bus_its_recording_and_its_series_say_the_same(tmp_path: Path) -> None:
    recording = tmp_path / "visit.busprobe"
    live = checked(
        busprobe(
            "balance",
            "sim:reversed-generator-meter",
            *LIVE,
            "--record",
            recording,
            "--json",
        ),
        "balance",
    )
    again = checked(busprobe("balance", f"replay:{recording}", *LIVE, "--json"), "balance")
    assert again["result"] == live["result"]
    assert again["findings"] == live["findings"]
    meter = meters_of(live)["generator"]
    assert (meter["address"], meter["sign"], meter["ratio"]) == (2, "reversed", 1.0)
    assert live["findings"][0]["address"] == 2


def test_two_devices_on_one_address_are_no_meter() -> None:
    ran = busprobe("balance", "sim:demo", "--grid", "1", "--hybrid", "10", "--json")
    assert ran.status == 2
    assert "More than one device answers at address 1" in ran.document["error"]
    assert "readdress" in ran.document["next_step"]


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("sim:healthy", "--grid", "1", "--generator", "1"), "twice"),
        (("sim:healthy", "--grid", "1", "--generator", "2:x"), "not understood"),
        (("sim:healthy", "--grid", "1", "--generator", "1-3"), "more than one"),
        (("sim:healthy", "--grid", "1"), "Give a LINK"),
        (("sim:healthy", "--grid", "1", "--generator", "99"), "Nobody answers"),
        (("--series", "nowhere.csv"), "cannot be read"),
    ],
)
def test_wrong_calls_say_what_is_wrong(arguments: tuple[str, ...], word: str) -> None:
    ran = busprobe("balance", *arguments)
    assert ran.status == 2
    assert word in ran.err
