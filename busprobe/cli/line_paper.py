"""`busprobe line --calculate`: its options, its numbers, its words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeVar

import click

from busprobe.cli import output, words
from busprobe.cli.documents_line import CalculationPart, IdlePart, PollCyclePart, RulePart

if TYPE_CHECKING:
    from busprobe.diagnosis.electrical import IdleLine
    from busprobe.model.line import LineSettings

F = TypeVar("F", bound=Callable[..., Any])
Options = Mapping[str, str | float | int | None]


def paper_options(command: F) -> F:
    """What the line on paper is made of."""
    positive = click.FloatRange(0, min_open=True)
    for decorate in reversed(
        (
            click.option(
                "--terminators",
                default="120,120",
                show_default=True,
                metavar="OHM[@M],...",
                help='Resistors across the pair, where [m]; without a place at the ends. "none".',
            ),
            click.option(
                "--bias",
                default="none",
                show_default=True,
                metavar="OHM[/OHM][@M],...",
                help="Pull-up (and pull-down where it differs) of each bias network.",
            ),
            click.option("--supply", type=positive, default=5.0, help="Of the bias [V]; 5."),
            click.option(
                "--nodes", type=click.IntRange(1, 256), default=2, help="Transceivers; 2."
            ),
            click.option(
                "--unit-load", type=positive, default=1.0, help="Of each, in 12 kOhm loads; 1."
            ),
            click.option(
                "--length", type=click.FloatRange(0), default=10.0, help="Of the cable [m]; 10."
            ),
            click.option(
                "--loop-ohm", type=positive, default=0.17, help="Both cores [Ohm/m]; 0.17."
            ),
            click.option(
                "--stub", type=click.FloatRange(0), default=0.0, help="Longest stub [m]; 0."
            ),
            click.option("--rise-ns", type=positive, default=100.0, help="Of a driver [ns]; 100."),
            click.option(
                "--reads",
                metavar="[DEVICESx]REGISTERS[+...],...",
                help="A poll cycle, as 3x50 or 2x50+10,60.",
            ),
            click.option("--turnaround", type=click.FloatRange(0), default=50.0, help="[ms]; 50."),
            click.option(
                "--timeout", type=positive, default=300.0, help="Of the master [ms]; 300."
            ),
        )
    ):
        command = decorate(command)
    return command


def calculation_part(settings: LineSettings, options: Options) -> CalculationPart:
    """Calculate the line that the options describe.

    Raises:
        InputError: An option makes no sense.
    """
    from busprobe.diagnosis.electrical import WrittenLine, calculate_written

    def number(name: str) -> float:
        value = options[name]
        assert isinstance(value, int | float)
        return float(value)

    line = WrittenLine(
        str(options["terminators"]),
        str(options["bias"]),
        number("supply"),
        int(number("nodes")),
        number("unit_load"),
        number("length"),
        number("loop_ohm"),
        number("stub"),
        number("rise_ns"),
        str(options["reads"] or ""),
        number("turnaround"),
        number("timeout"),
    )
    found = calculate_written(line, settings)
    cycle = found.cycle
    return CalculationPart(
        idle=_idle(found.idle),
        one_more_terminator=_idle(found.one_more_terminator),
        one_more_bias=_idle(found.one_more_bias),
        checks=[RulePart(name=c.name, good=c.good, text=c.text) for c in found.checks],
        poll=None
        if cycle is None
        else PollCyclePart(
            cycle_s=round(cycle.cycle_s, 4),
            bytes_s=round(cycle.bytes_s, 4),
            worst_s=round(cycle.worst_s, 4),
            shortest_interval_s=round(cycle.shortest_interval_s, 4),
        ),
    )


def _idle(line: IdleLine) -> IdlePart:
    return IdlePart(
        idle_mv=round(1e3 * line.lowest_v, 1),
        held=line.held,
        bias_ma=round(line.bias_ma, 2),
        load_ohm=round(line.load_ohm, 1),
        driven_v=round(line.driven_v, 3),
        unit_loads=line.unit_loads,
    )


def calculation_words(part: CalculationPart) -> None:
    """Print a calculated line."""
    output.line()
    words.table(
        ("line", "idle", "held", "bias", "driver sees", "weakest 1"),
        [
            (
                name,
                f"{line.idle_mv:.1f} mV",
                "yes" if line.held else "NO",
                f"{line.bias_ma:.1f} mA",
                f"{line.load_ohm:.0f} Ohm",
                f"{line.driven_v:.2f} V",
            )
            for name, line in (
                ("as given", part.idle),
                ("one more terminator", part.one_more_terminator),
                ("one more biased node", part.one_more_bias),
            )
        ],
    )
    output.line()
    for check in part.checks:
        words.paragraph("ok" if check.good else "NOT OK", check.text)
    if part.poll is not None:
        poll = part.poll
        output.line()
        output.line(
            f"A poll cycle takes {poll.cycle_s:.3f} s ({poll.bytes_s:.3f} s of it bytes on the "
            f"wire), {poll.worst_s:.3f} s with one time-out."
        )
        output.line(f"Shortest safe poll interval: {poll.shortest_interval_s:.2f} s.")
