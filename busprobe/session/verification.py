"""A verification of a site against its plan: what was checked, what is still to be checked.

Every check is handed on as soon as it is made, so that nothing is lost when the run is stopped; a
later run makes what is missing. A check that was not tested is tried again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from busprobe.diagnosis.coupling import charging, exporting, island
from busprobe.diagnosis.wiring import KnownLoad
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.finding import Finding
from busprobe.model.line import LinkKind
from busprobe.site import verify, verify_meters
from busprobe.site.items import Group, Item, implied
from busprobe.site.plan import SitePlan
from busprobe.site.plan_parts import LinkPart
from busprobe.site.tracks import coupling_of


@dataclass(frozen=True, slots=True)
class VerifyOptions:
    """How a verification is run.

    Attributes:
        groups: Checks to make.
        load: A known load that somebody can switch, None to leave the wiring untested.
        quick: Ask only the planned addresses.
        insist: Search although another master is heard.
        watch_s: How long the meters are read for the checks of the balance [s].
        local_hour: Local hour of the day, 0 to 24, where the link is of this world.
    """

    groups: frozenset[Group] = frozenset(Group)
    load: KnownLoad | None = None
    quick: bool = False
    insist: bool = False
    watch_s: float = 120.0
    local_hour: Callable[[], float] | None = None


@dataclass
class Verification:
    """A verification under way.

    Attributes:
        plan: The plan.
        options: How it is run.
        on_check: Told of every check as soon as it is made.
        done: Checks so far by name and subject, those of earlier runs included.
        settings: Line settings at which addresses answer, by name of the line; None on Modbus TCP.
        findings: What the checks without a line found.
        kinds: Kind of link behind each line, by name; of a replay that which was recorded.
    """

    plan: SitePlan
    options: VerifyOptions = VerifyOptions()
    on_check: Callable[[Check], None] = lambda check: None
    done: dict[tuple[str, str], Check] = field(default_factory=dict)
    settings: dict[str, dict[int, str | None]] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    kinds: Mapping[str, LinkKind] = field(default_factory=dict)
    _fresh: set[tuple[str, str]] = field(default_factory=set)

    @property
    def items(self) -> tuple[Item, ...]:
        """Every check that the plan implies."""
        return implied(self.plan, self.kinds)

    @property
    def complete(self) -> bool:
        """Whether every check that the plan implies was gone through."""
        return all(item.key in self.done for item in self.items)

    @property
    def checks(self) -> tuple[Check, ...]:
        """The checks so far, in the order of the plan."""
        return tuple(self.done[i.key] for i in self.items if i.key in self.done)

    def pending(self, *groups: Group, link: str | None = None) -> tuple[Item, ...]:
        """What this run still has to make of some groups, on one line or (None) without any."""
        return tuple(
            item
            for item in self.items
            if item.group in groups
            and item.group in self.options.groups
            and item.link == link
            and item.key not in self._fresh
            and (item.key not in self.done or self.outcome(*item.key) is CheckOutcome.NOT_TESTED)
        )

    def outcome(self, name: str, subject: str) -> CheckOutcome | None:
        """What came of a check, None while it was not made."""
        made = self.done.get((name, subject))
        return None if made is None else made.outcome

    def make(self, made: Check) -> None:
        """Keep a check."""
        self.done[made.name, made.subject] = made
        self._fresh.add((made.name, made.subject))
        self.on_check(made)

    def by_plan_alone(self) -> None:
        """Make the checks that need no line."""
        coupling = coupling_of(self.plan)
        asked = {"island": island, "charging": charging, "exporting": exporting}
        for item in self.pending(Group.COUPLING):
            answer = asked[item.name](coupling)
            self.findings += answer.findings
            self.make(verify_meters.coupling_check(item, answer))

    def give_up(self, link: LinkPart, why: str) -> None:
        """A line cannot be used: what is left on it is not tested."""
        for item in self.pending(*Group, link=link.name):
            self.make(verify.not_tested(item, why))
