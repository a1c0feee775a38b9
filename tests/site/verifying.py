"""Verifications of simulated sites in virtual time, for the tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from busprobe.model.check import Check
from busprobe.model.line import parse_link
from busprobe.procedures.operator import HandRequest
from busprobe.profiles.yaml_source import load_yaml_model
from busprobe.session.events import Event
from busprobe.session.job import Job
from busprobe.session.ports import Hands, OpenedLink
from busprobe.session.verification import Verification, VerifyOptions
from busprobe.session.verify_line import LineVerification
from busprobe.site.plan import SitePlan
from busprobe_sim.ports.virtual import run_virtual
from busprobe_sim.scenario import SimulatedBus, open_simulated
from simulated_buses import frames_asked

EXAMPLE = Path(__file__).resolve().parents[2] / "docs" / "examples" / "mill-lane.plan.yaml"

HEALTHY = """
format: 1
site: {name: Orchard}
links:
  - {name: bus, link: "sim:healthy", settings: 9600 8N1, length_m: 60, poll_s: 2}
meters:
  - {name: grid, link: bus, address: 1, maker: Trollfen, model: TF 30, serial: TF30-118204,
     role: grid, positive: import}
  - {name: workshop, link: bus, address: 2, model: NF 3F, role: sub-meter, behind: grid,
     feeds: load}
inverter: {name: hybrid, link: bus, address: 10, maker: Nixenfurt, model: Hybrid 8, rating_kw: 8}
limits: {export_kw: 5}
"""


class Helper:
    """Hands that do at once what is asked."""

    def __init__(self, hands: Hands) -> None:
        self.hands = hands

    def ask(self, request: HandRequest, now_ns: int) -> None:
        self.hands.plug(request.phase, request.power_w, request.on, now_ns + 1_000_000_000)

    def answer(self) -> bool | None:
        return True


def plan_of(text: str) -> SitePlan:
    return load_yaml_model(text, SitePlan, name="plan.yaml", what="site plan")


class Run:
    """One verification of a plan with one line.

    Args:
        plan: The plan.
        options: How it is run.
        stop_after: Stop once so many checks were made.
        before: An earlier run to go on from.
    """

    def __init__(
        self,
        plan: SitePlan,
        options: VerifyOptions | None = None,
        stop_after: int | None = None,
        before: Verification | None = None,
    ) -> None:
        self.made: list[Check] = []
        self.events: list[Event] = []
        (link,) = plan.links
        endpoint = parse_link(link.link)
        opened, self.bus = self._open(endpoint.argument)
        should_stop: Callable[[], bool] = lambda: (  # noqa: E731
            stop_after is not None and len(self.made) >= stop_after
        )
        self.job = Job(
            OpenedLink(opened, self.bus.hands), endpoint, self.events.append, should_stop
        )
        self.whole = Verification(
            plan,
            options or VerifyOptions(),
            self.made.append,
            dict(before.done) if before is not None else {},
            {k: dict(v) for k, v in before.settings.items()} if before is not None else {},
        )
        line = LineVerification(self.whole, self.job, link, Helper(self.bus.hands))

        async def go() -> None:
            self.whole.by_plan_alone()
            await line.run()

        run_virtual(go())

    @staticmethod
    def _open(argument: str) -> tuple[object, SimulatedBus]:
        endpoint = parse_link(argument)
        return open_simulated(endpoint, None, "virtual")

    def outcome(self, name: str, subject: str) -> str:
        return self.whole.done[name, subject].outcome.value

    def evidence(self, name: str, subject: str) -> str:
        return " | ".join(e.text for e in self.whole.done[name, subject].evidence)

    @property
    def requests(self) -> list[bytes]:
        """Everything that the probe put on the line."""
        return frames_asked(self.bus.line.log)
