"""The law: what a live run finds is what replaying its recording finds, bit by bit.

Every command that uses a link is run on a simulated bus while it is recorded, and then on the
recording. The whole document must be the same: findings with their probabilities, the result, the
number of exchanges, and the time on the bus to the microsecond.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.test_commands import Ran, busprobe
from tests.peers.simulated_bus_serving import fast_bus, served

SCENARIOS = (
    "bench", "both-identical", "both-on-one-address", "demo", "echo-adapter", "foreign-master",
    "healthy", "late-answers", "no-bias", "noisy-line", "odd-firmware", "silent-meter",
    "swapped-pair", "three-on-one-address", "three-wire",
)  # fmt: skip
RESTLESS = ("demo", "foreign-master", "no-bias", "noisy-line", "both-on-one-address")

CALLS = [
    *((name, "scan", "--addresses", "1-12") for name in SCENARIOS),
    *((name, "listen", "--seconds", "8") for name in SCENARIOS),
    *((name, "line", "1,2,3") for name in RESTLESS),
    ("noisy-line", "line", "1,2", "--soak", "20"),
    *((name, "duplicates", "1,2") for name in RESTLESS),
    *((name, "read", "1") for name in RESTLESS),
    ("reversed-ct", "wiring", "1", "--load", "2000"),
    ("noisy-line", "wiring", "1", "--load", "2000", "--phase", "L2"),
    ("reversed-ct", "wiring", "1", "--duration", "20"),
    ("reversed-generator-meter", "balance", "--grid", "1", "--generator", "2", "--duration", "20"),
    ("reversed-generator-meter", "balance", "--grid", "1", "--generator", "2", "--curtail"),
    ("bench", "bench", "1", "--requests", "20", "--watch", "60"),
    ("demo", "readdress", "2", "9", "--yes", "--baud", "9600"),
    ("healthy", "readdress", "1", "2", "--yes", "--baud", "9600"),
]  # fmt: skip


def comparable(ran: Ran) -> dict:
    """The document without what must differ: when it was made, and by which link."""
    document = json.loads(ran.out)
    for name in ("started", "recordings"):
        document.pop(name, None)
    if document.get("link"):
        document["link"] = document["link"]["settings"]
    return document


@pytest.mark.parametrize("call", CALLS, ids=" ".join)
def test_a_replay_tells_what_the_live_run_told(call: tuple[str, ...], tmp_path: Path) -> None:
    scenario, command, *rest = call
    file = tmp_path / "visit.busprobe"
    live = busprobe(command, f"sim:{scenario}", *rest, "--record", file, "--json")
    assert file.is_file()
    again = busprobe(command, f"replay:{file}", *rest, "--json")
    assert again.status == live.status
    assert comparable(again) == comparable(live)


PLAN = """\
format: 1
site: {{name: Orchard}}
links:
  - {{name: bus, link: "sim:{scenario}", settings: 9600 8N1, length_m: 60, poll_s: 2}}
meters:
  - {{name: grid, link: bus, address: 1, role: grid, positive: import}}
  - {{name: workshop, link: bus, address: 2, role: sub-meter, behind: grid, feeds: load}}
"""


@pytest.mark.parametrize("scenario", ["demo", "healthy"])
def test_a_verification_of_a_recording_makes_the_same_checks(scenario: str, tmp_path: Path) -> None:
    plan, file = tmp_path / "site.plan.yaml", tmp_path / "visit.busprobe"
    plan.write_text(PLAN.format(scenario=scenario), encoding="utf-8")
    options = ("--quick", "--watch", "20", "--load", "2000", "--json")
    live = busprobe("verify", plan, *options, "--record", file)
    again = busprobe("verify", plan, "--link", f"replay:{file}", *options)
    assert again.status == live.status
    assert comparable(live)["result"]["complete"]
    assert comparable(again) == comparable(live)


def test_hands_are_given_again_and_none_where_there_were_none(tmp_path: Path) -> None:
    file = tmp_path / "visit.busprobe"
    busprobe("wiring", "sim:reversed-ct", "1", "--load", "2000", "--record", file, "--json")
    ran = busprobe("wiring", f"replay:{file}", "1", "--load", "2000", "--json")
    assert [f["code"] for f in ran.document["findings"]] == ["ct-reversed"]
    assert len(ran.document["result"]["steps"]) >= 6
    # Another meter was not tested: nobody switched anything for it.
    other = busprobe("wiring", f"replay:{file}", "3", "--load", "2000", "--json")
    assert other.status != 0


TCP_PLAN = """\
format: 1
site: {{name: Orchard}}
links:
  - {{name: net, link: "{link}"}}
meters:
  - {{name: grid, link: net, address: 1, role: grid}}
  - {{name: workshop, link: net, address: 7, role: sub-meter, behind: grid, feeds: load}}
"""
# What only a line has: Modbus TCP knows neither settings nor another master.
OF_A_LINE = {"other-master", "line-settings", "line-health", "poll-cycle"}


@pytest.mark.parametrize("named", [True, False], ids=["by --link", "in the plan"])
def test_a_recording_of_modbus_tcp_is_held_to_the_checks_of_modbus_tcp(
    named: bool, tmp_path: Path
) -> None:
    plan, file = tmp_path / "site.plan.yaml", tmp_path / "visit.busprobe"
    options = ("--quick", "--only", "find,duplicates,identity,line,wiring,coupling", "--json")
    with served(fast_bus(tmp_path), tcp_port=0) as found:
        (link,) = found.links
        plan.write_text(TCP_PLAN.format(link=link), encoding="utf-8")
        live = busprobe("verify", plan, *options, "--record", file)
    if named:
        again = busprobe("verify", plan, "--link", f"net=replay:{file}", *options)
    else:
        plan.write_text(TCP_PLAN.format(link=f"replay:{file}"), encoding="utf-8")
        again = busprobe("verify", plan, *options)
    checks = comparable(live)["result"]["checks"]
    assert {c["name"] for c in checks} & OF_A_LINE == set()
    assert ("PASS", "answers") in {(c["outcome"], c["name"]) for c in checks}
    assert again.status == live.status
    assert comparable(again)["result"]["checks"] == checks
    if named:
        assert comparable(again) == comparable(live)
