"""A scripted session: a small site, told as a real session would tell it.

Site: grid meter and generator meter both at address 1, feeder meter at 2 with the CT of L2 the
wrong way round, inverter at 10. Nothing here computes a verdict: the script knows the story.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import fake_bench as bench
import fake_later_steps as later

from busprobe.diagnosis.balance import MeterRole, Role
from busprobe.diagnosis.wiring import (
    CtWiring,
    Explanation,
    KnownLoad,
    LoadStep,
    MeterSystem,
    VoltageWiring,
    WiringDiagnosis,
    WiringVerdict,
)
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.device import Device, Identity, TurnAround
from busprobe.model.exchange import Exchange, Frame, Outcome, Unframed
from busprobe.model.finding import Evidence, Finding, Severity
from busprobe.model.line import LineSettings, Parity, parse_link
from busprobe.model.reading import PHASES, Reading, ReadingState, SignConvention, Snapshot
from busprobe.session import events
from busprobe.session.bench import BenchWish
from busprobe.session.events import Event, Step, StepEnd
from busprobe.session.handover import VerifyWish
from busprobe.session.wishes import ExportWish, ReportWish, SearchWish, SeriesWish

MS = 1_000_000
CHARACTER_NS = 1_041_667

GRID_AND_GENERATOR = Device(
    1, Identity("Trollfen", "TF-340", "2.11", "30417788", "sunspec"), duplicate="undecided",
    turnaround=TurnAround(11.0, 19.0), functions=(3,), phases=3, profile="sunspec-203",
)  # fmt: skip
FEEDER = Device(
    2, Identity("Nixenfurt", "NF-3P", "1.4", "00051923", "profile"), duplicate="undecided",
    turnaround=TurnAround(24.0, 31.0), functions=(3, 4), phases=3, profile="nixenfurt-nf3",
)  # fmt: skip
INVERTER = Device(
    10, Identity("Feenau", "FN-10k", "5.0.3", "FN10-7741", "sunspec"), duplicate="undecided",
    turnaround=TurnAround(42.0, 77.0), functions=(3,), phases=3, profile="sunspec-103",
)  # fmt: skip
DEVICES = (GRID_AND_GENERATOR, FEEDER, INVERTER)

DUPLICATE_FINDING = Finding(
    code="duplicate-address",
    severity=Severity.FAULT,
    address=1,
    device="Trollfen TF-340",
    summary="Two devices answer at address 1.",
    cause=(
        "After one request two answers were heard, with different serial numbers. Two meters were "
        "left at the address they were delivered with."
    ),
    probability=0.9991,
    evidence=(
        Evidence(1, "a second answer began 8.0 ms after the first one ended"),
        Evidence(None, "serial numbers 30417788 and 30417790 were both heard"),
    ),
    remedy=(
        "Switch off or unplug one of the two meters, give the other one a free address "
        "(3 is free), then check again."
    ),
    caution=(
        "Bus terminals often sit beside mains terminals. Isolate and prove dead before opening the "
        "cabinet; work there is for licensed electricians, by the local code."
    ),
)
CT_FINDING = Finding(
    code="ct-reversed",
    severity=Severity.FAULT,
    address=2,
    device="Nixenfurt NF-3P",
    summary="The CT of L2 is the wrong way round.",
    cause="A load of 2000 W on L2 changed the power of L2 by −1987 W.",
    probability=0.9987,
    evidence=(Evidence(None, "step of −1987 W at input L2 when the load on L2 was switched on"),),
    remedy="Turn the CT of L2 round, or swap its two wires S1 and S2 at the meter.",
    caution="Isolate the circuit before touching a CT or its wires.",
)
NOTE = Finding(
    code="no-bias", severity=Severity.NOTE, address=None, device=None,
    summary="Adapter cannot report framing errors.", cause="The driver hides them.",
    probability=1.0, evidence=(), remedy="Nothing to do.",
)  # fmt: skip


# The load on L2 switched on and off, twice: input L2 counts it backwards.
SERIES_STEPS = tuple(
    LoadStep(12.0 + 9.0 * n, "L2", (0.0, w, 0.0), (0.0, 2.0, 0.0))
    for n, w in enumerate((-1987.0, -1991.0, -1984.0, -1988.0))
)


def crc(data: bytes) -> bytes:
    """CRC-16/MODBUS, low byte first."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


def frame(address: int, pdu: bytes, t_start_ns: int) -> Frame:
    """A frame as it crosses a line at 9600 Bd."""
    body = bytes((address,)) + pdu
    raw = body + crc(body)
    return Frame(address, pdu, t_start_ns, t_start_ns + len(raw) * CHARACTER_NS, raw)


class FakeSession:
    """Plays the script: calls queue events, `play` hands them to the listener."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, tuple[object, ...]]] = []
        self.now_ns = 0
        self.number = 0
        self._listeners: list[Callable[[Event], None]] = []
        self._script: deque[Event | Callable[[], Iterator[Event]]] = deque()
        self.on: dict[str, bool] = dict.fromkeys(PHASES, False)
        self._phases: list[tuple[str, bool]] = []
        self.load_w = 2000.0
        self.always_hands = False
        self.steps: list[LoadStep] = []
        self.began_ns = 0
        self._parting: Iterator[list[Event]] | None = None

    # -- the port ---------------------------------------------------------------------------

    changing = False

    def subscribe(self, listener: Callable[[Event], None]) -> None:
        self._listeners.append(listener)

    def open(
        self,
        argument: str,
        settings: LineSettings | None = None,
        record: Path | None = None,
        *,
        kept: bool = True,
    ) -> None:
        besides = (() if record is None else (str(record),)) + (() if kept else ("not kept",))
        self._note("open", argument, settings, *besides)
        self.emit(events.LinkOpened(parse_link(argument), settings or LineSettings(9600)))

    def find(
        self, *, fast: bool = False, insist: bool = False, wish: SearchWish | None = None
    ) -> None:
        special = () if wish in (None, SearchWish()) else (wish,)
        how = (("fast",) if fast else ()) + (("insist",) if insist else ())
        self._note("find", *how, *special)
        self._script.extend(self._sweep())

    def check_addresses(self, addresses: tuple[int, ...] = ()) -> None:
        self._note("check_addresses", addresses)
        self._script.extend(self._duplicates())

    def check_wiring(
        self,
        address: int,
        load: KnownLoad | None,
        *,
        system: MeterSystem | None = None,
        passive_s: float = 180.0,
    ) -> None:
        besides = (() if system is None else (system,)) + (() if passive_s == 180 else (passive_s,))
        self._note("check_wiring", address, load, *besides)
        self.always_hands = False
        if load is None:
            self._script.append(events.StepStarted(Step.WIRING, "Only watches."))
            self._script.extend(self._polls(address, 6))
            self._script.append(events.StepFinished(Step.WIRING, StepEnd.DONE, "Undecided."))
            return
        self.load_w = load.power_w
        plan = PHASES if load.phase == "each" else (load.phase,)
        self._phases = [(phase, on) for phase in plan for on in (True, False)]
        intent = f"Reads the meter at address {address} once a second while you switch the load."
        self.steps, self.began_ns = [], self.now_ns
        self._script.append(events.StepStarted(Step.WIRING, intent))
        self._script.extend(self._polls(address, 6))
        self._script.append(self._ask)

    def listen(self, seconds: float, settings: LineSettings | None = None) -> None:
        self._note("listen", seconds, settings)
        self._script.extend(later.listening())

    def check_line(
        self,
        addresses: tuple[int, ...] = (),
        soak_s: float = 0.0,
        *,
        insist: bool = False,
        expected: tuple[int, ...] = (),
        plan_file: Path | None = None,
    ) -> None:
        besides = (("insist",) if insist else ()) + ((expected,) if expected else ())
        besides += () if plan_file is None else (str(plan_file),)
        self._note("check_line", addresses, soak_s, *besides)
        asked = []
        for number in range(24):
            address = (1, 2, 10)[number % 3]
            stray = b"\x00" if number in (5, 13) else b""
            pdu = bytes.fromhex("03 0000 0002")
            asked.append(self.exchange(address, pdu, (b"\x03\x04\x00\x01\x00\x02",), stray))
        self._script.extend(later.line_check(asked, soak_s))

    def check_balance(
        self, meters: Mapping[int, tuple[str, MeterRole]], duration_s: float, curtail: bool
    ) -> None:
        self._note("check_balance", dict(meters), duration_s, curtail)
        self._script.append(events.StepStarted(Step.ENERGY, "Reads all meters in turn."))
        for _ in range(6):
            for address in meters:
                self._script.extend(self._polls(address, 1))
        if curtail:
            request = "Hold hybrid back to 10 % of its power."
            self._script.append(events.OperatorAsked(request, "", False, answerable=True))
        self._script.append(events.BalanceSeen(later.balance(dict(meters))))
        verdict = later.balance(dict(meters)).verdict.value
        self._script.append(events.StepFinished(Step.ENERGY, StepEnd.DONE, f"Balance: {verdict}."))

    def verify(self, wish: VerifyWish) -> None:
        self._note("verify", wish)
        self._script.append(events.StepStarted(Step.HANDOVER, "4 checks on the line."))
        self._script.extend(events.CheckMade(check) for check in later.CHECKS)
        self._script.append(
            events.StepFinished(Step.HANDOVER, StepEnd.DONE, "1 FAIL, 1 PASS of 4 checks.")
        )

    def plan_tour(self, address: int, only: tuple[LineSettings, ...] = ()) -> None:
        self._note("plan_tour", address, *only)
        self._script.append(events.StepStarted(Step.BENCH, "Looks who is there."))
        self._script.append(events.BenchTourPlanned(address, "Nixenfurt NF 3F", bench.TOUR))
        self._script.append(events.StepFinished(Step.BENCH, StepEnd.DONE, "It waits."))

    def bench(self, wish: BenchWish) -> None:
        self._note("bench", wish)
        self._script.extend(bench.bench_test(wish))

    def write_plan(self, file: Path | None = None) -> None:
        self._note("write_plan", *(() if file is None else (str(file),)))
        self._script.append(events.StepStarted(Step.HANDOVER, "Writes a first plan."))
        self._script.append(events.PlanWritten("visits/first.plan.yaml"))
        self._script.append(events.StepFinished(Step.HANDOVER, StepEnd.DONE, "A first plan."))

    def write_report(self, wish: ReportWish | None = None) -> None:
        self._note("write_report", wish)
        self._script.append(events.StepStarted(Step.HANDOVER, "Writes the report."))
        files = ("visits/visit-report.html", "visits/visit-report.json")
        self._script.append(events.ReportWritten(files, "FAIL", "1 check failed."))
        self._script.append(events.StepFinished(Step.HANDOVER, StepEnd.DONE, "Report: FAIL."))

    def judge_series(self, wish: SeriesWish) -> None:
        self._note("judge_series", wish)
        if wish.site:
            known = {1: ("grid", MeterRole(Role.GRID)), 2: ("pv", MeterRole(Role.GENERATOR))}
            done = events.SeriesJudged(str(wish.file), balance=later.balance(known))
        else:
            done = events.SeriesJudged(
                str(wish.file),
                wiring=diagnosis(WiringVerdict.FAULT, 0.9987, SERIES_STEPS),
                findings=(CT_FINDING,),
            )
        self._script.append(done)

    def export(self, wish: ExportWish) -> None:
        self._note("export", wish)
        files = (wish.pcapng, wish.readings, wish.frames, wish.everything)
        self._script.append(events.Exported(tuple(str(file) for file in files if file)))

    def plan_change(
        self,
        address: int,
        new_address: int | None,
        new_baud: int | None = None,
        new_parity: Parity | None = None,
        new_stop_bits: int | None = None,
    ) -> None:
        line = (new_baud, new_parity, new_stop_bits)
        self._note("plan_change", address, new_address, *(line if any(line) else ()))
        device = next(d for d in DEVICES if d.address == address)
        self._script.append(events.StepStarted(Step.ADDRESSES, "Looks first."))
        if address == 1:
            text = "More than one device answers at address 1. Disconnect all but one."
            self._script.append(events.ChangeEnded(None, None, text))
            self._script.append(events.StepFinished(Step.ADDRESSES, StepEnd.FAILED, text))
            return
        self.planned = later.plan(device, new_address or address)
        self._script.append(events.ChangePlanned(self.planned))
        self._script.append(events.StepFinished(Step.ADDRESSES, StepEnd.DONE, "It waits."))

    def change(self) -> None:
        self._note("change")
        planned = self.planned
        moved = replace(planned.device, address=planned.new_address)
        self._script.append(events.StepStarted(Step.ADDRESSES, "Writes 2 registers."))
        self._script.append(events.DeviceKnown(moved))
        self._script.append(
            events.StepFinished(Step.ADDRESSES, StepEnd.DONE, "The device answers there.")
        )
        self._script.append(events.ChangeEnded(planned, later.changed(planned), ""))

    def separate(
        self, address: int, new_address: int | None = None, plan_file: Path | None = None
    ) -> None:
        besides = () if plan_file is None else (str(plan_file),)
        self._note("separate", address, new_address, *besides)
        self._parting = later.separation(address)
        self._script.extend(next(self._parting))

    def confirm(self, yes: bool) -> None:
        self._note("confirm", yes)
        if self._parting is not None:
            self._script.extend(next(self._parting) if yes else later.not_separated(1))

    def watch(self, addresses: tuple[int, ...], period_s: float = 1.0) -> None:
        self._note("watch", addresses, *(() if period_s == 1.0 else (period_s,)))
        for _ in range(30):
            for address in addresses:
                self._script.extend(self._polls(address, 1))

    def answer(self, done: bool) -> None:
        self._note("answer", done)
        if self._parting is not None:
            self._script.extend(next(self._parting) if done else later.not_separated(1))
            return
        if done:
            self._switched()
        else:
            self._script.append(
                events.StepFinished(Step.WIRING, StepEnd.STOPPED, "The load was not switched.")
            )

    def let_hands(self) -> None:
        self._note("let_hands")
        self.always_hands = True
        if self._parting is not None:
            self._script.extend(next(self._parting))
            return
        self._switched()

    def stop(self) -> None:
        self._note("stop")
        self._script.clear()
        for step in Step:
            if step in self._running:
                self.emit(events.StepFinished(step, StepEnd.STOPPED, "Stopped by hand."))

    def close(self) -> None:
        self._note("close")
        self._script.clear()

    # -- playing ----------------------------------------------------------------------------

    _running: set[Step]

    def emit(self, event: Event) -> None:
        """Tell the listener."""
        self._running = getattr(self, "_running", set())
        if isinstance(event, events.StepStarted):
            self._running.add(event.step)
        elif isinstance(event, events.StepFinished):
            self._running.discard(event.step)
        for listener in self._listeners:
            listener(event)

    def play(self, count: int | None = None) -> int:
        """Play so many entries of the script, or all of them."""
        played = 0
        while self._script and (count is None or played < count):
            entry = self._script.popleft()
            if callable(entry):
                self._script.extendleft(reversed(list(entry())))
            else:
                self.emit(entry)
            played += 1
        return played

    def _note(self, name: str, *arguments: object) -> None:
        self.calls.append((name, arguments))

    # -- the story --------------------------------------------------------------------------

    def exchange(
        self,
        address: int,
        pdu: bytes,
        answers: tuple[bytes, ...] = (),
        stray: bytes = b"",
        outcome: Outcome | None = None,
    ) -> Exchange:
        """An exchange that takes the time it would take."""
        self.number += 1
        start = self.now_ns
        request = frame(address, pdu, start)
        t = request.t_end_ns + (11 + address % 7) * MS
        pieces: list[Frame | Unframed] = []
        first = t
        for answer in answers:
            piece = frame(address, answer, t)
            pieces.append(piece)
            t = piece.t_end_ns + 8 * MS
        if stray:
            t += len(stray) * CHARACTER_NS
            pieces.append(Unframed(stray, t))
        if outcome is None:
            outcome = Outcome.SILENT if not pieces else Outcome.ANSWERED
            if answers and answers[0][0] & 0x80:
                outcome = Outcome.EXCEPTION
            if len(pieces) > 1:
                outcome = Outcome.CROWDED
        self.now_ns = t if pieces else request.t_end_ns + 60 * MS
        chunks = [Chunk(Direction.SENT, start, request.raw)]
        chunks += [
            Chunk(Direction.RECEIVED, p.t_end_ns if isinstance(p, Frame) else p.t_ns,
                  p.raw if isinstance(p, Frame) else p.data)
            for p in pieces
        ]  # fmt: skip
        own = next((p for p in pieces if isinstance(p, Frame)), None)
        return Exchange(
            self.number, request, outcome, own, tuple(pieces), False,
            first - request.t_end_ns if pieces else None, 0, 60 * MS, tuple(chunks),
        )  # fmt: skip

    def _sweep(self) -> Iterator[Event]:
        yield events.StepStarted(
            Step.FIND,
            "Asks addresses 1 to 247 one read each, at 9600 8N1, then identifies who answers. "
            "Nothing is written.",
        )
        yield events.SettingsFound(LineSettings(9600))
        found = {device.address: device for device in DEVICES}
        for address in range(1, 248):
            pdu = bytes.fromhex("03 9C40 0002")
            if address == 1:
                made = self.exchange(1, pdu, (b"\x03\x04SunS", b"\x03\x04SunS"))
            elif address == 2:
                made = self.exchange(2, pdu, (b"\x83\x02",))
            elif address == 10:
                made = self.exchange(10, pdu, (b"\x03\x04SunS",))
            else:
                made = self.exchange(address, pdu)
            yield events.ExchangeMade(made)
            if address in found:
                yield events.DeviceKnown(Device(address))
            yield events.StepProgress(
                Step.FIND, address, 250, (250 - address) * 0.06, f"asking address {address}"
            )
        for device in DEVICES:
            text = device.identity.model.encode().ljust(16, b"\0")
            pdu = bytes.fromhex("03 9C44 0010")
            yield events.ExchangeMade(
                self.exchange(device.address, pdu, (bytes((3, len(text))) + text,))
            )
            yield events.DeviceKnown(device)
            yield from self._polls(device.address, 1)
        yield events.FindingRaised(NOTE)
        yield events.StepFinished(
            Step.FIND, StepEnd.DONE, "3 of 247 addresses answer at 9600 8N1: 1, 2 and 10."
        )

    def _duplicates(self) -> Iterator[Event]:
        yield events.StepStarted(
            Step.ADDRESSES, "Reads each of 3 addresses up to 40 times and compares every answer."
        )
        pdu = bytes.fromhex("03 9C74 0008")
        for i, device in enumerate(DEVICES):
            for _ in range(6):
                if device.address == 1:
                    made = self.exchange(
                        1, pdu, (b"\x03\x1030417788\0\0\0\0\0\0\0\0",),
                        stray=b"\x01\x03\x10304177\x98\x30\0\0\0",
                    )  # fmt: skip
                else:
                    made = self.exchange(device.address, pdu, (b"\x03\x10" + b"00051923" * 2,))
                yield events.ExchangeMade(made)
            verdict = "duplicate" if device.address == 1 else "single"
            yield events.DeviceKnown(_judged(device, verdict))
            if verdict == "duplicate":
                more = Evidence(
                    made.number, "behind the answer of 30417788 came 14 bytes that form no frame"
                )
                told = DUPLICATE_FINDING.evidence
                yield events.FindingRaised(
                    replace(DUPLICATE_FINDING, evidence=(told[0], more, *told[1:]))
                )
                yield events.DuplicateSeen(later.TWO_AT_ONE)
            yield events.StepProgress(
                Step.ADDRESSES, i + 1, 3, (2 - i) * 1.4, f"address {device.address} is {verdict}"
            )
        yield events.StepFinished(
            Step.ADDRESSES, StepEnd.DONE, "Two devices share address 1; 2 and 10 are single."
        )

    def quantities(self, address: int) -> dict[str, float]:
        """What the meter reports now."""
        base = {1: (640.0, 415.0, 880.0), 2: (310.0, 142.0, 95.0), 10: (-2710.0,) * 3}[address]
        wiggle = ((self.now_ns // (37 * MS)) % 11 - 5) * 1.3
        values: dict[str, float] = {"F": 50.01}
        for i, phase in enumerate(PHASES):
            power = base[i] + wiggle
            if address == 2 and self.on[phase]:
                power += self.load_w * 0.993
            reactive = 92.0 + 21 * i
            volts = 230.4 - 1.7 * i + wiggle / 20
            if address == 2 and phase == "L2":
                power, reactive = -power, -reactive
            values[f"V_{phase}"], values[f"P_{phase}"], values[f"Q_{phase}"] = (
                volts, power, reactive,
            )  # fmt: skip
            values[f"I_{phase}"] = (power**2 + reactive**2) ** 0.5 / volts
            values[f"PF_{phase}"] = power / (power**2 + reactive**2) ** 0.5
        values["P"] = sum(values[f"P_{p}"] for p in PHASES)
        values["Q"] = sum(values[f"Q_{p}"] for p in PHASES)
        values["E_import"], values["E_export"] = 12_345_600.0, 845_300.0
        return values

    def _polls(self, address: int, count: int) -> Iterator[Event]:
        for _ in range(count):
            pdu = bytes.fromhex("04 0000 0018")
            data = bytes((4, 48)) + bytes(range(48))
            yield events.ExchangeMade(self.exchange(address, pdu, (data,)))
            values = self.quantities(address)
            sign = SignConvention.UNKNOWN
            readings = tuple(
                Reading(
                    name, round(value, 2), _unit(name), (int(abs(value)) & 0xFFFF, 0x00FE),
                    ReadingState.SUSPECT if name == "F" and address == 10 else ReadingState.OK,
                    "differs from the other meters" if name == "F" and address == 10 else "",
                )
                for name, value in values.items()
            )  # fmt: skip
            yield events.ReadingsTaken(Snapshot(self.now_ns, address, values, sign), readings)
            self.now_ns += 900 * MS

    def _ask(self) -> Iterator[Event]:
        phase, on = self._phases[0]
        verb = "Switch the load on" if on else "Switch the load off"
        yield events.OperatorAsked(f"{verb} at {phase}.", phase, on, answerable=True)
        if self.always_hands:
            self._switched()

    def _switched(self) -> None:
        self._script.append(self._after_switching)

    def _after_switching(self) -> Iterator[Event]:
        phase, on = self._phases.pop(0)
        yield from self._polls(2, 1)
        self.on[phase] = on
        size = self.load_w * 0.9935 * (1 if on else -1)
        seen = [(-size if p == "L2" else size) if p == phase else 1.0 for p in PHASES]
        at_s = (self.now_ns - self.began_ns) / 1e9
        self.steps.append(LoadStep(at_s, phase, tuple(seen), (0.0, 2.0, 0.0)))
        yield from self._polls(2, 5)
        total = 6
        done = total - len(self._phases)
        yield events.StepProgress(
            Step.WIRING, done, total, len(self._phases) * 9.0, f"{done} of {total} switchings seen"
        )
        if self._phases:
            yield events.WiringSeen(2, diagnosis(WiringVerdict.UNDECIDED, 0.62, self.steps))
            yield from self._ask()
            return
        yield events.WiringSeen(2, diagnosis(WiringVerdict.FAULT, 0.9987, self.steps))
        yield events.FindingRaised(CT_FINDING)
        yield events.StepFinished(
            Step.WIRING, StepEnd.DONE, "Meter 2: the CT of L2 is the wrong way round."
        )


def diagnosis(
    verdict: WiringVerdict, probability: float, steps: Sequence[LoadStep] = ()
) -> WiringDiagnosis:
    """The verdict at the feeder meter."""
    cts = (
        CtWiring("L1", "L1", "forward", 0.99),
        CtWiring("L2", "L2", "reversed", 0.99),
        CtWiring("L3", "L3", "forward", 1.0),
    )
    volts = tuple(VoltageWiring(phase, phase) for phase in PHASES)
    best = Explanation(probability, cts, volts, "N", CT_FINDING.remedy)
    other = Explanation(
        1 - probability,
        (cts[0], CtWiring("L2", "L3", "forward", 1.0), CtWiring("L3", "L2", "reversed", 1.0)),
        volts, "N", "Swap the CTs of L2 and L3, then turn the one on L3 round.",
    )  # fmt: skip
    return WiringDiagnosis(
        verdict, probability, (best, other), "import-positive",
        ("The sequence of the voltages cannot be told from powers alone.",), None,
        tuple(steps),
    )  # fmt: skip


def _judged(device: Device, verdict: str) -> Device:
    return Device(
        device.address, device.identity, device.sunspec, device.profile, verdict,
        device.turnaround, device.functions, device.phases,
    )  # fmt: skip


def _unit(name: str) -> str:
    units = {"V": "V", "I": "A", "P": "W", "Q": "var", "F": "Hz", "E": "Wh", "PF": ""}
    return units[name.split("_")[0]]
