"""The line on paper: what it is made of, and what follows from it. Nothing is sent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, cast

from rich.style import Style
from rich.text import Text
from textual.binding import BindingType

from busprobe.model.errors import InputError
from busprobe.tui import words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.form import FormField, number
from busprobe.tui.screens.form_sheet import FormSheet

if TYPE_CHECKING:
    from busprobe.diagnosis.electrical import Calculation, IdleLine
    from busprobe.tui.state import JobState

FORMATS = (("8N1", "N1"), ("8E1", "E1"), ("8O1", "O1"), ("8N2", "N2"))
_TINY = 1e-6


@dataclass(frozen=True, slots=True)
class _Written:
    """Parses a field by the rules of the line on paper."""

    what: str

    def __call__(self, text: str) -> str:
        from busprobe.diagnosis.electrical import written

        if self.what == "reads":
            written.parse_reads(text, 0.0)
        elif self.what == "bias":
            written.parse_bias(text, 1.0)
        else:
            written.parse_terminators(text, 1.0)
        return text


PAPER = (
    FormField(
        "terminators", "Terminators/Ohm",
        "Resistors across the pair, at the ends; with a place in metres as 120@0,120@40; or none.",
        "120,120", parse=_Written("terminators"),
    ),
    FormField(
        "bias", "Bias/Ohm",
        "Pull-up and pull-down of each bias network, as 560; 390/470 where they differ; "
        "560@0,560@80 for two; or none.",
        "none", parse=_Written("bias"),
    ),
    FormField("supply", "Bias supply/V", "Voltage that the bias hangs on.", "5",
              parse=number(_TINY, unit="V")),
    FormField("nodes", "Transceivers", "All of them: master, meters, converters.", "2",
              parse=number(1, 256, whole=True)),
    FormField("unit-load", "Unit load each",
              "How heavy each is: 1 is 12 kOhm; many newer ones are 1/8, that is 0.125.", "1",
              parse=number(_TINY)),
    FormField("length", "Cable/m", "Length of the cable.", "10", parse=number(0, unit="m")),
    FormField("loop-ohm", "Both cores/Ohm/m",
              "Resistance of both cores together per metre: 0.17 for 0.22 mm², 0.07 for 0.5 mm².",
              "0.17", parse=number(_TINY, unit="Ohm/m")),
    FormField("paper-baud", "Rate/Bd", "Rate at which the line is to be polled.", "9600",
              parse=number(50, 4_000_000, unit="Bd", whole=True)),
    FormField("paper-format", "Characters", "Parity and stop bits; they count for the poll cycle.",
              "N1", choices=FORMATS),
    FormField("stub", "Longest stub/m", "From the line to a meter, where it hangs on a branch.",
              "0", parse=number(0, unit="m")),
    FormField("rise", "Rise time/ns", "Of a driver: the steeper, the shorter the stubs must be.",
              "100", parse=number(_TINY, unit="ns")),
    FormField(
        "reads", "Reads in a round",
        "What the master reads: 3x50 is three meters with 50 registers each; 2x50+10,60 two reads "
        "of two meters and one of a third.",
        placeholder="3x50", parse=_Written("reads"),
    ),
    FormField("turnaround", "Turn-around/ms", "How long a meter takes to answer; the step Find "
              "measures it.", "50", parse=number(0, unit="ms")),
    FormField("timeout", "Time-out/ms", "How long the master waits for an answer.", "300",
              parse=number(_TINY, unit="ms")),
)  # fmt: skip


def of_this_line(state: JobState) -> dict[str, str]:
    """What is known of the open line already."""
    texts: dict[str, str] = {}
    if state.settings is not None:
        form = f"{state.settings.parity.value}{state.settings.stop_bits}"
        texts["paper-baud"] = str(state.settings.baud)
        if form in (value for _, value in FORMATS):
            texts["paper-format"] = form
    if state.devices:
        # The master is a transceiver, too.
        texts["nodes"] = str(len(state.devices) + 1)
        known = [p95 for d in state.devices.values() if (p95 := d.turnaround.p95_ms) is not None]
        if known:
            texts["turnaround"] = f"{max(known):.0f}"
    return texts


def worked_out(texts: Mapping[str, str]) -> Calculation:
    """The line that is written down.

    Raises:
        InputError: Something written makes no sense.
    """
    from busprobe.diagnosis.electrical import WrittenLine, calculate_written
    from busprobe.model.line import LineSettings, Parity

    value = {field.name: field.value(texts) for field in PAPER}

    def of(name: str) -> float:
        return cast(float, value[name])

    form = str(value["paper-format"])
    settings = LineSettings(int(of("paper-baud")), Parity(form[0]), int(form[1]))
    line = WrittenLine(
        str(value["terminators"]), str(value["bias"]), of("supply"), int(of("nodes")),
        of("unit-load"), of("length"), of("loop-ohm"), of("stub"), of("rise"),
        str(value["reads"]), of("turnaround"), of("timeout"),
    )  # fmt: skip
    return calculate_written(line, settings)


class PaperScreen(FormSheet):
    """Fields for the parts of a line, and every rule that is kept or broken."""

    SCOPE = Scope.PAPER
    SHEET_TITLE = "The line on paper"
    ACROSS = 2
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.PAPER, modal=True)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    PaperScreen #sheet { height: 94%; max-height: 30; }
    PaperScreen #prose { height: 1fr; }
    """

    help_topic = "paper"

    def __init__(self, texts: Mapping[str, str]) -> None:
        super().__init__(PAPER, texts)

    def text(self, texts: Mapping[str, str], wrong: bool) -> Text:
        """Idle levels, rules, poll cycle."""
        if wrong:
            told = "As soon as the marked fields are corrected, the line is reckoned again."
            return Text(told, Style(color=self.colours.dim))
        try:
            found = worked_out(texts)
        except InputError as error:
            return Text(words.told(str(error)), Style(color=self.colours.warn))
        text = Text()
        self._levels(text, found)
        self._poll(text, found)
        self._rules(text, found)
        return text

    def action_back(self) -> None:
        """Close; what was written stays for the next time."""
        self.dismiss(self.texts)

    def _levels(self, text: Text, found: Calculation) -> None:
        c, g = self.colours, self.glyphs
        dim, ink = Style(color=c.dim), Style(color=c.ink)
        text.append(
            f"{'':<22}{'idle':>8}{'held':>8}{'bias':>9}{'driver':>9}{'weakest 1':>11}\n", dim
        )
        rows: tuple[tuple[str, IdleLine], ...] = (
            ("as written", found.idle),
            ("one more terminator", found.one_more_terminator),
            ("one more bias", found.one_more_bias),
        )
        for name, line in rows:
            sign, word, colour = (g.ok, "yes", c.ok) if line.held else (g.fail, "NO", c.fail)
            text.append(f"{name:<22}", dim)
            text.append(f"{1e3 * line.lowest_v:>5.0f} mV", ink)
            text.append(f"{f'{sign} {word}':>8}", Style(color=colour, bold=True))
            text.append(
                f"{line.bias_ma:>6.1f} mA{line.load_ohm:>5.0f} Ohm{line.driven_v:>9.2f} V\n", ink
            )

    def _rules(self, text: Text, found: Calculation) -> None:
        c, g = self.colours, self.glyphs
        # What is broken is read first.
        for check in sorted(found.checks, key=lambda check: check.good):
            sign, colour = (g.ok, c.ok) if check.good else (g.fail, c.fail)
            word = "ok" if check.good else "NOT OK"
            lead = Text(f"{sign} {word:<7}", Style(color=colour, bold=True))
            room = self.query_one("#text").content_size.width - len(lead.plain)
            for number_, row in enumerate(words.wrapped(check.text, max(30, room))):
                text.append_text(lead if number_ == 0 else Text(" " * len(lead.plain)))
                text.append(f"{row}\n", Style(color=c.ink))

    def _poll(self, text: Text, found: Calculation) -> None:
        c, g = self.colours, self.glyphs
        cycle = found.cycle
        if cycle is None:
            text.append(
                f"{g.note} With what the master reads in a round the poll interval is told.\n",
                Style(color=c.dim),
            )
            return
        text.append(f"{g.right} ", Style(color=c.accent, bold=True))
        text.append(
            f"Poll every {cycle.shortest_interval_s:.2f} s or more rarely. ",
            Style(color=c.ink, bold=True),
        )
        text.append(
            f"A round takes {cycle.cycle_s:.3f} s ({cycle.bytes_s:.3f} s of it bytes), "
            f"{cycle.worst_s:.3f} s with one time-out.\n",
            Style(color=c.ink),
        )
