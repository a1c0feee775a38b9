"""Listening finds the settings of others without a byte of its own."""

from __future__ import annotations

import random

import pytest

from busprobe.bus.bus import Bus
from busprobe.diagnosis.listening import LineState, listening_findings
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.errors import LinkError
from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.listen import Listening, listen
from busprobe.wire import pdu
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import (
    LineParameters,
    MasterParameters,
    NodeParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.physics.levels import Bias
from busprobe_sim.physics.receiver import classic
from busprobe_sim.ports.virtual import VirtualLink, run_virtual
from tests.simulated_buses import Registers

RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
QUIET = LineParameters(float_rate_hz=0.0)
READ = pdu.read_registers(3, 40072, 6)


def heard(
    settings: LineSettings = LineSettings(),  # noqa: B008
    *,
    start: LineSettings = LineSettings(),  # noqa: B008
    port: PortParameters | None = None,
    requests: tuple[tuple[int, bytes], ...] = ((1, READ),),
    period_ms: float = 1000.0,
    line: LineParameters = QUIET,
    seconds: float = 10.0,
    given: LineSettings | None = None,
) -> Listening:
    simulated = Line(line, 3)
    node = NodeParameters(10.0, settings)
    simulated.add_station(StationParameters(1, node), Registers())
    if requests:
        simulated.add_master(MasterParameters(NodeParameters(30.0, settings), requests, period_ms))
    opened = simulated.open_port(port or PortParameters(NodeParameters(20.0, start)))
    log = simulated.log
    found = run_virtual(listen(Bus(VirtualLink(opened)), seconds, given=given))
    assert opened.name not in {entry.sender for entry in log}
    return found


@pytest.mark.parametrize("baud", RATES)
@pytest.mark.parametrize("parity", list(Parity))
def test_settings_are_found_from_any_start_with_marks(baud: int, parity: Parity) -> None:
    settings = LineSettings(baud, parity)
    port = PortParameters(NodeParameters(20.0), reports_marks=True)
    found = heard(settings, port=port)
    assert found.settings == settings
    assert found.heard.alternatives == (settings,)
    assert found.conversation.poll_s == pytest.approx(1.0, abs=0.02)
    assert found.conversation.pairs >= 4


@pytest.mark.parametrize("baud", RATES)
def test_without_marks_formats_of_equal_length_stay_open(baud: int) -> None:
    ten = heard(LineSettings(baud))
    assert ten.settings == LineSettings(baud)
    assert ten.heard.alternatives == (LineSettings(baud),)
    eleven = heard(LineSettings(baud, Parity.ODD))
    assert eleven.settings is not None
    assert eleven.settings.baud == baud
    assert {s.bits_per_character for s in eleven.heard.alternatives} == {11}
    codes = {f.code for f in listening_findings(eleven.heard, eleven.conversation, None, 10.0)}
    assert codes == {"foreign-master", "format-undecided"}


@pytest.mark.parametrize("start", RATES)
def test_any_rate_to_start_from_leads_to_the_right_one(start: int) -> None:
    assert heard(start=LineSettings(start)).settings == LineSettings(9600)


def test_usb_latency_does_not_matter() -> None:
    port = PortParameters(NodeParameters(20.0), latency_ms=16.0)
    found = heard(port=port, period_ms=200.0)
    assert found.settings == LineSettings(9600)
    (device,) = found.conversation.devices
    assert device.requests - device.answers <= 1


def test_an_absent_device_that_is_polled_is_named() -> None:
    found = heard(requests=((1, READ), (2, READ)))
    one, two = found.conversation.devices
    assert (one.address, two.address) == (1, 2)
    assert one.answers == one.requests >= 9
    assert two.answers == 0
    assert two.unanswered == two.requests >= 9
    told = listening_findings(found.heard, found.conversation, None, found.seconds)
    assert {(f.code, f.address) for f in told} == {("foreign-master", None), ("polled-absent", 2)}


def test_swapped_wires_at_the_tool() -> None:
    for marks in (True, False):
        node = NodeParameters(20.0, swapped=True)
        found = heard(port=PortParameters(node, reports_marks=marks))
        assert found.heard.state is LineState.SWAPPED
        assert found.settings is None
        (told,) = listening_findings(found.heard, found.conversation, None, found.seconds)
        assert told.code == "swapped-pair"
        assert told.caution


def test_a_quiet_line_is_quiet() -> None:
    found = heard(requests=())
    assert found.heard.state is LineState.QUIET
    assert found.seconds == pytest.approx(10.0, abs=0.01)
    assert listening_findings(found.heard, found.conversation, None, 10.0) == []


def test_a_floating_idle_line() -> None:
    line = LineParameters(biases=(), float_rate_hz=10.0)
    port = PortParameters(NodeParameters(20.0, comparator=classic()))
    found = heard(requests=(), line=line, port=port)
    assert found.heard.state is LineState.FLOATING
    held = LineParameters(biases=(Bias(0.0),), float_rate_hz=10.0)
    assert heard(requests=(), line=held, port=port).heard.state is LineState.QUIET


def test_given_settings_are_kept_and_told_to_be_wrong() -> None:
    given = LineSettings(57600)
    found = heard(start=given, given=given)
    assert found.settings is None
    assert found.heard.state is LineState.OTHER_SETTINGS
    assert found.heard.settings is not None
    assert found.heard.settings.baud == 9600
    codes = [f.code for f in listening_findings(found.heard, found.conversation, given, 10.0)]
    assert codes == ["other-settings"]


class _Jabber:
    """A link on which bytes never stop."""

    settings = LineSettings(9600)
    arrival_uncertainty_ns = 0
    framing = "rtu"

    def __init__(self) -> None:
        self._now = 0

    def now(self) -> int:
        return self._now

    async def receive(self, until_ns: int) -> Chunk | None:
        step = 16 * self.settings.character_ns
        if self._now + step > until_ns:
            self._now = until_ns
            return None
        self._now += step
        data = bytes(((self._now >> 12) * (n + 3) * 7919 >> 5) & 0xFF for n in range(16))
        return Chunk(Direction.RECEIVED, self._now, data)

    async def configure(self, settings: LineSettings) -> None:
        self.settings = settings


def test_a_device_that_never_stops() -> None:
    found = run_virtual(listen(Bus(_Jabber()), 5.0))  # type: ignore[arg-type]
    assert found.heard.state is LineState.JABBER
    assert found.seconds <= 7.6


class _Refusing(VirtualLink):
    """A far end that cannot be set."""

    async def configure(self, settings: LineSettings) -> None:
        raise LinkError("These settings are refused.", "Set them there.")


def test_a_far_end_that_refuses_settings_is_listened_to_as_it_is() -> None:
    simulated = Line(QUIET, 3)
    simulated.add_station(StationParameters(1, NodeParameters(10.0)), Registers())
    simulated.add_master(MasterParameters(NodeParameters(30.0), ((1, READ),)))
    start = LineSettings(38400)
    port = simulated.open_port(PortParameters(NodeParameters(20.0, start)))
    found = run_virtual(listen(Bus(_Refusing(port)), 5.0))
    assert found.settings is None
    assert found.heard.settings is not None
    assert found.heard.settings.baud == 9600
    assert 5.0 <= found.seconds <= 8.0


@pytest.mark.parametrize("settings", ["1200 8O1", "9600 8E1", "9600 8N1", "38400 8N1"])
def test_a_device_that_never_stops_is_told_whatever_its_rate(settings: str) -> None:
    # Through a receiver that begins at 9600 8N1: at other rates than the device's own it hears the
    # small alphabets of a wrong rate, as a conversation would leave them, but without a pause.
    baud, form = settings.split()
    own = LineSettings(int(baud), Parity(form[1]))
    rng = random.Random(settings)
    line = Line(LineParameters(float_rate_hz=0.0), 5)
    device = line.add_station(StationParameters(1, NodeParameters(10.0, own)), Registers())

    def babble() -> None:
        start = line.transmit(device, rng.randbytes(32), line.now_ns)
        line.schedule(start + own.duration_ns(31), babble)

    line.schedule(0, babble)
    port = line.open_port(PortParameters(NodeParameters(20.0, LineSettings(9600))))
    found = run_virtual(listen(Bus(VirtualLink(port)), 10.0))
    assert found.heard.state is LineState.JABBER
    assert found.heard.probability > 0.95
