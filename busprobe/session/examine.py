"""The whole job on a bus of which a plan is known, from listening to the balance of the site.

What a careful technician would do with the commands, one after the other: listen; have a foreign
master unplugged before anything is sent; search; look at the line; prove the wiring under a known
load; see whether the meters add up. Used to show what the evidence of a training bus carries.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import dataclass, field

from busprobe.diagnosis.balance import BalanceDiagnosis, MeterRole, Role, Sign
from busprobe.diagnosis.wiring import KnownLoad, WiringDiagnosis
from busprobe.model.errors import InputError
from busprobe.model.exchange import Exchange
from busprobe.model.finding import Finding, Severity
from busprobe.model.line import LineSettings
from busprobe.procedures.check_balance import BalancePlan
from busprobe.procedures.operator import HandRequest
from busprobe.session.energy import check_balance
from busprobe.session.events import Step
from busprobe.session.job import Job
from busprobe.session.ports import Hands, do_by_hands
from busprobe.session.values import FindPlan

HEATER_W = 2000.0
_LISTEN_S = 5.0
# A colleague needs a moment to plug in the heater.
_PLUG_NS = 1_000_000_000
# Addresses that are searched beside the planned ones: what devices leave the factory with.
_USUAL = tuple(range(1, 13))
# Findings that are no faults by themselves, and yet the cause of a complaint.
_CAUSES = {"foreign-master", "echo-heard", "late-answer", "slow-device"}
_OPEN = {"ambiguous", "undecided"}
_SOURCES = (Role.GENERATOR, Role.HYBRID)
# Options of the balance command.
_OPTIONS = {
    Role.GRID: "grid",
    Role.GENERATOR: "generator",
    Role.HYBRID: "hybrid",
    Role.BATTERY: "battery",
    Role.LOAD: "consumer",
}


@dataclass(frozen=True, slots=True)
class Expected:
    """A device that should be there.

    Attributes:
        name: Its name.
        address: Its address.
        meter: Whether its wiring is to be proved.
        place: Word for where the test heater has to be plugged for it, "" for the usual socket.
        role: What the papers say that it measures ("grid", "generator" ...), "" for nothing.
    """

    name: str
    address: int
    meter: bool = True
    place: str = ""
    role: str = ""


@dataclass(frozen=True, slots=True)
class Told:
    """A finding with the command that would give it.

    Attributes:
        finding: The finding.
        command: The command, with LINK in place of the link; words behind it say what was done
            by hand before.
        inputs: Inputs of a meter that it concerns.
        open_question: Whether the evidence left a question open here.
        step: The step of the job that shows it.
        exchanges: Those that its evidence names.
    """

    finding: Finding
    command: str
    inputs: tuple[str, ...] = ()
    open_question: bool = False
    step: Step = Step.FIND
    exchanges: tuple[Exchange, ...] = ()

    @property
    def is_cause(self) -> bool:
        """Whether it can be the cause of a complaint."""
        return self.finding.severity is Severity.FAULT or self.finding.code in _CAUSES


@dataclass
class Examination:
    """What the whole job told.

    Attributes:
        told: Everything that was found.
        bus_time_s: Time on the bus [s].
        exchanges: Requests made.
    """

    told: list[Told] = field(default_factory=list)
    bus_time_s: float = 0.0
    exchanges: int = 0

    def causes(self) -> tuple[Told, ...]:
        """The causes that the findings come down to.

        A planned device that is silent at its address is no cause of its own where it was heard
        at other settings, nor while any address is shared or may be: then it may be there, and
        nothing tells how many are. Neither is a line on which nobody answers whole where the
        collisions of two explain it, nor a request of the master that stays unanswered where the
        silent device itself was found.
        """
        silent = {t.finding.address for t in self._of("device-silent")}
        differing = {t.finding.address for t in self._of("settings-differ")}
        shared = any(self._of("duplicate-address"))
        crowded = shared or any(self._of("duplicate-undecided"))
        left: list[Told] = []
        for told in self.told:
            code, address = told.finding.code, told.finding.address
            explained = (
                (code == "line-silent" and shared)
                or (code == "polled-absent" and address in silent)
                or (code == "device-silent" and (crowded or address in differing))
            )
            if told.is_cause and not explained:
                left.append(told)
        return tuple(left)

    def _of(self, code: str) -> Iterable[Told]:
        return (told for told in self.told if told.finding.code == code)


class Colleague:
    """Simulated hands that do at once what is asked."""

    def __init__(self, hands: Hands) -> None:
        self._hands = hands

    def ask(self, request: HandRequest, now_ns: int) -> None:
        """Switch the heater a moment later."""
        do_by_hands(self._hands, request, now_ns + _PLUG_NS)

    def answer(self) -> bool | None:
        """Always done."""
        return True


# Opens the bus anew; the words say what was done by hand before ("alone", the place of the heater).
OpenJob = Callable[[tuple[str, ...]], Awaitable[Job]]


async def examine(
    open_job: OpenJob, plan: Sequence[Expected], settings: LineSettings
) -> Examination:
    """Do the whole job.

    Args:
        open_job: Opens the bus.
        plan: The devices that should be there.
        settings: Line settings by the plan.
    """
    result = Examination()
    words: tuple[str, ...] = ()
    job = await open_job(words)
    try:
        await job.listen(_LISTEN_S, settings)
    finally:
        await _close(result, job, "listen LINK", Step.LINK)
    if "foreign-master" in {t.finding.code for t in result.told}:
        words = ("alone",)
    link = _link(words)
    job = await open_job(words)
    try:
        await _search(result, job, plan, link)
        await _line(result, job, plan, link)
        for expected in plan:
            if not expected.place and _answers_alone(job, expected):
                await _wiring(result, job, expected, link)
        await _energy(result, job, plan, link)
    finally:
        await _close(result, job, f"scan {link}")
    for expected in plan:
        if expected.place and _answers_alone(job, expected):
            there_words = (*words, expected.place)
            there = await open_job(there_words)
            there.settings_of.update(job.settings_of)
            try:
                await _wiring(result, there, expected, _link(there_words))
            finally:
                await _close(result, there, f"scan {_link(there_words)}")
    return result


def _link(words: Sequence[str]) -> str:
    return "+".join(("LINK", *words))


def _told(
    job: Job,
    finding: Finding,
    command: str,
    step: Step,
    inputs: tuple[str, ...] = (),
    *,
    open_question: bool = False,
) -> Told:
    named = {piece.exchange for piece in finding.evidence}
    exchanges = tuple(e for e in job.exchanges if e.number in named)
    return Told(finding, command, inputs, open_question, step, exchanges)


async def _close(result: Examination, job: Job, command: str, step: Step = Step.FIND) -> None:
    """Keep what a job told that is not kept yet, and release it."""
    known = {(t.finding.code, t.finding.address) for t in result.told}
    for key, finding in job.findings.items():
        if key not in known:
            result.told.append(_told(job, finding, command, step))
    result.bus_time_s += job.bus_time_s
    result.exchanges += len(job.exchanges)
    await job.close()


async def _search(result: Examination, job: Job, plan: Sequence[Expected], link: str) -> None:
    addresses = tuple(sorted({*_USUAL, *(e.address for e in plan)}))
    await job.find(FindPlan(addresses=addresses))
    for (code, address), finding in job.findings.items():
        command, step = f"scan {link}", Step.FIND
        if code.startswith("duplicate"):
            command, step = f"duplicates {link} {address}", Step.ADDRESSES
        left_open = code == "duplicate-undecided"
        result.told.append(_told(job, finding, command, step, open_question=left_open))


async def _line(result: Examination, job: Job, plan: Sequence[Expected], link: str) -> None:
    """Look at the line by the devices that are alone at their address, and by the missing ones."""
    home = job.bus.settings
    there = {
        address
        for address, device in job.devices.items()
        if device.duplicate != "duplicate" and job.settings_of.get(address) in (None, home)
    }
    missing = {e.address for e in plan if e.address not in job.devices}
    if not there and not missing:
        return
    await job.check_line(sorted(there | missing), listen_first_s=0.0)
    known = {(t.finding.code, t.finding.address) for t in result.told}
    for key, finding in job.findings.items():
        if key not in known:
            left_open = "undecided" in finding.code
            told = _told(job, finding, f"line {link}", Step.LINE, open_question=left_open)
            result.told.append(told)


def _answers_alone(job: Job, expected: Expected) -> bool:
    device = job.devices.get(expected.address)
    return expected.meter and device is not None and device.duplicate != "duplicate"


async def _wiring(result: Examination, job: Job, expected: Expected, link: str) -> None:
    load = KnownLoad(HEATER_W)
    operator = Colleague(job.hands) if job.hands is not None else None
    before = set(job.findings)
    try:
        diagnosis = await job.check_wiring(expected.address, load, operator)
    except InputError:
        # A device without meter registers has no wiring to prove.
        return
    command = f"wiring {link} {expected.address} --load {HEATER_W:.0f}"
    for key, finding in job.findings.items():
        if key not in before:
            left_open = diagnosis.verdict in _OPEN
            inputs = inputs_of(finding.code, diagnosis)
            result.told.append(
                _told(job, finding, command, Step.WIRING, inputs, open_question=left_open)
            )


async def _energy(result: Examination, job: Job, plan: Sequence[Expected], link: str) -> None:
    """Hold every source back and see whether the meters of the papers add up."""
    meters = {
        e.address: (e.name, known_role(e.role))
        for e in plan
        if e.role and e.address in job.devices and job.devices[e.address].duplicate != "duplicate"
    }
    sources = tuple(name for name, known in meters.values() if known.role in _SOURCES)
    if Role.GRID not in {known.role for _, known in meters.values()} or not sources:
        return
    before = set(job.findings)
    operator = Colleague(job.hands) if job.hands is not None else None
    try:
        diagnosis = await check_balance(job, meters, BalancePlan(curtail=sources), operator)
    except InputError:
        # A device without power registers, or two at one address, have no balance.
        return
    given = " ".join(f"--{_OPTIONS[known.role]} {a}" for a, (_, known) in meters.items())
    command = f"balance {link} {given} --curtail"
    left_open = diagnosis.verdict.value in _OPEN
    for key, finding in job.findings.items():
        if key not in before:
            name = "" if finding.address is None else meters[finding.address][0]
            inputs = inputs_out_of_balance(finding.code, name, diagnosis)
            result.told.append(
                _told(job, finding, command, Step.ENERGY, inputs, open_question=left_open)
            )


def known_role(role: str) -> MeterRole:
    """What is known of a meter with this role before the first reading; see the energy step."""
    named = Role(role)
    if named in (Role.GRID, Role.GENERATOR, Role.LOAD):
        return MeterRole(named)
    return MeterRole.usual(named)


def inputs_of(code: str, diagnosis: WiringDiagnosis) -> tuple[str, ...]:
    """Inputs of a meter that a wiring finding concerns, by the likeliest explanation."""
    if not diagnosis.explanations:
        return ()
    best = diagnosis.explanations[0]
    if code == "ct-reversed":
        return tuple(c.input for c in best.cts if c.direction == "reversed")
    if code == "ct-dead":
        return tuple(c.input for c in best.cts if c.conductor == "none")
    if code == "ct-ratio":
        return tuple(c.input for c in best.cts if c.ratio is not None and c.ratio != 1.0)
    if code in ("ct-wrong-phase", "cts-swapped"):
        return tuple(c.input for c in best.cts if c.conductor not in (c.input, "none"))
    if code == "voltage-lead-open":
        return tuple(v.input for v in best.voltages if v.conductor == "open")
    if code == "voltage-leads-swapped":
        return tuple(v.input for v in best.voltages if v.conductor not in (v.input, "open"))
    return ()


def inputs_out_of_balance(code: str, name: str, diagnosis: BalanceDiagnosis) -> tuple[str, ...]:
    """Inputs of a meter that a finding of the balance concerns; none for the whole meter."""
    if not name:
        return ()
    inputs = diagnosis.meter(name).inputs
    if code == "balance-input-reversed":
        return tuple(i.input for i in inputs if i.sign is Sign.REVERSED and not i.wrong_phase)
    if code == "balance-wrong-phase":
        return tuple(i.input for i in inputs if i.wrong_phase)
    if code == "balance-dead-input":
        return tuple(i.input for i in inputs if i.dead)
    if code == "balance-input-ratio":
        return tuple(i.input for i in inputs if not i.dead and i.ratio not in (None, 1.0))
    return ()
