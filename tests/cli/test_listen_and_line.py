"""`listen` and `line` as other programs and people call them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.test_commands import busprobe, checked


def test_listen_tells_who_polls_whom() -> None:
    ran = busprobe("listen", "sim:foreign-master", "--json")
    assert ran.status == 0
    document = checked(ran, "listen")
    assert document["exchanges"] == 0
    result = document["result"]
    assert result["settings"] == {"baud": 9600, "parity": "N", "stop_bits": 1}
    assert result["master"]["seen"] is True
    assert result["master"]["poll_s"] == pytest.approx(1.0, abs=0.01)
    (device,) = result["devices"]
    assert device["address"] == 1
    assert device["requests"] == device["answers"] >= 8
    assert device["functions"] == [3]
    assert result["frames"] == 2 * device["requests"]
    assert result["line_errors"] is None
    assert [f["code"] for f in document["findings"]] == ["foreign-master"]


def test_listen_on_a_quiet_line_finds_no_fault() -> None:
    ran = busprobe("listen", "sim:healthy", "--seconds", "2")
    assert ran.status == 0
    assert "not a byte" in ran.out
    assert "unknown, not absent" in ran.out


def test_line_is_healthy() -> None:
    ran = busprobe("line", "sim:healthy", "1,2,10", "--json")
    assert ran.status == 0, ran.err
    result = checked(ran, "line")["result"]
    assert [a["address"] for a in result["addresses"]] == [1, 2, 10]
    for address in result["addresses"]:
        assert address["answered"] == address["exchanges"] > 15
        assert address["error_rate"] == 0.0
        assert 0.0 < address["error_rate_high"] < 0.25
        times = address["turnaround_ms"]
        assert 5 < times["median"] <= times["p95"] <= times["max"] < 100
    assert result["healthy"] > 0.85
    assert all(c["probability"] < 0.2 for c in result["causes"])


@pytest.mark.parametrize(
    ("scenario", "code"),
    [
        ("noisy-line", "noisy-line"),
        ("no-bias", "no-bias"),
        ("echo-adapter", "echo-heard"),
        ("both-on-one-address", "duplicate-address"),
    ],
)
def test_line_finds_the_fault_of_a_scenario(scenario: str, code: str) -> None:
    ran = busprobe("line", f"sim:{scenario}", "1", "--json")
    document = checked(ran, "line")
    assert code in {f["code"] for f in document["findings"]}
    assert document["result"]["causes"][0]["code"] == code
    faults = [f for f in document["findings"] if f["severity"] == "fault"]
    assert ran.status == (1 if faults else 0)


def test_line_asks_whom_the_plan_expects(tmp_path: Path) -> None:
    plan = tmp_path / "orchard.plan.yaml"
    plan.write_text(
        """\
format: 1
site: {name: Orchard}
links: [{name: bus, link: "sim:healthy", settings: 9600 8N1}]
meters:
  - {name: grid, link: bus, address: 1, role: grid}
  - {name: press, link: bus, address: 4, role: sub-meter, behind: grid, feeds: load}
""",
        encoding="utf-8",
    )
    ran = busprobe("line", "sim:healthy", "1,2", "--plan", plan, "--json")
    assert ran.status == 1, ran.err
    document = checked(ran, "line")
    assert [a["address"] for a in document["result"]["addresses"]] == [1, 2, 4]
    told = {(f["code"], f["address"]) for f in document["findings"]}
    assert told == {("device-silent", 4)}


def test_soak_counts_and_draws() -> None:
    ran = busprobe("line", "sim:noisy-line", "1", "--soak", "15")
    assert ran.status == 1
    assert "Turn-around at address 1" in ran.out
    assert "##" in ran.out
    document = checked(busprobe("line", "sim:noisy-line", "1", "--soak", "40", "--json"), "line")
    (address,) = document["result"]["addresses"]
    assert address["exchanges"] > 150
    assert 0 < address["error_rate_low"] < address["error_rate"] < address["error_rate_high"]
    assert document["exchanges"] > address["exchanges"]


def test_line_does_not_talk_into_a_foreign_conversation() -> None:
    ran = busprobe("line", "sim:foreign-master", "2")
    assert ran.status == 2
    assert "--insist" in ran.err


def test_a_fast_scan_finds_the_late_device_and_states_its_limits() -> None:
    ran = busprobe("scan", "sim:late-answers", "--fast", "--baud", "9600", "--json")
    document = checked(ran, "scan")
    assert [d["address"] for d in document["result"]["devices"]] == [1, 10]
    (limits,) = [f for f in document["findings"] if f["code"] == "fast-sweep-limits"]
    assert limits["severity"] == "note"
    # (8 - 5) characters of 8 and 50 ms, 9600 8N1: 5.4 %.
    assert "7 % of the devices" in limits["cause"]
    assert "500 ms" in limits["cause"]


def test_calculation_needs_no_link() -> None:
    options = ("--terminators", "120,120", "--bias", "560", "--nodes", "2", "--length", "0")
    ran = busprobe("line", "--calculate", *options, "--unit-load", "0.001", "--json")
    assert ran.status == 0
    document = checked(ran, "line")
    assert document["link"] is None
    calculation = document["result"]["calculation"]
    # MODBUS over Serial Line V1.02, section 3.4.3, with 560 Ohm: 0.254 V.
    assert calculation["idle"]["idle_mv"] == pytest.approx(254.2, abs=0.3)
    assert calculation["idle"]["held"] is True
    assert calculation["one_more_terminator"]["held"] is False


def test_calculation_in_words_and_its_poll_cycle() -> None:
    ran = busprobe(
        "line", "--calculate", "--bias", "none", "--length", "80", "--nodes", "4",
        "--baud", "9600", "--reads", "20x107", "--turnaround", "20",
    )  # fmt: skip
    assert ran.status == 1
    assert "NOT OK" in ran.out
    # 20 meters of 107 registers at 9600 8N1 with 20 ms: 5.20 s.
    assert "5.20" in ran.out


@pytest.mark.parametrize(
    "options",
    [
        ("line",),
        ("line", "sim:healthy", "--calculate"),
        ("line", "--calculate", "--bias", "many"),
        ("line", "--calculate", "--reads", "3x500"),
        ("line", "sim:healthy", "300"),
        ("listen", "sim:nowhere"),
    ],
)
def test_wrong_calls_say_what_to_do(options: tuple[str, ...]) -> None:
    ran = busprobe(*options)
    assert ran.status == 2
    assert len(ran.err.strip().splitlines()) >= 2
