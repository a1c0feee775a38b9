"""Arguments and options that commands share."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from busprobe.model.addresses import parse_addresses as parse_addresses
from busprobe.model.line import LAST_ADDRESS

if TYPE_CHECKING:
    from busprobe.model.line import LineSettings

F = TypeVar("F", bound=Callable[..., Any])

link_argument = click.argument("link", metavar="LINK")
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document on standard output."
)


def screen_options(command: F) -> F:
    """--theme and --glyphs of the terminal interface."""
    for decorate in (
        click.option(
            "--glyphs",
            type=click.Choice(["auto", "braille", "half", "ascii"]),
            default="auto",
            show_default=True,
            help="How pictures of the terminal interface are drawn.",
        ),
        click.option(
            "--theme",
            type=click.Choice(["dark", "light", "contrast-dark", "contrast-light"]),
            help="Colours of the terminal interface.",
        ),
    ):
        command = decorate(command)
    return command


RECORD_KEY = "busprobe.record"
NO_RECORD_KEY = "busprobe.no-record"


def _note_recording(ctx: click.Context, param: click.Parameter, value: Path | None) -> Path | None:
    ctx.meta[RECORD_KEY] = value
    return value


def _note_none(ctx: click.Context, param: click.Parameter, value: bool) -> bool:
    ctx.meta[NO_RECORD_KEY] = value
    return value


def record_options(command: F) -> F:
    """--record and --no-record: where the session is kept."""
    for decorate in reversed(
        (
            click.option(
                "--record",
                type=click.Path(path_type=Path, dir_okay=False),
                expose_value=False,
                callback=_note_recording,
                help="Keep every byte, exchange and finding in this new file, not in your folder "
                "of recordings; one file per line where there are several.",
            ),
            click.option(
                "--no-record",
                is_flag=True,
                expose_value=False,
                callback=_note_none,
                help="Keep no recording.",
            ),
        )
    ):
        command = decorate(command)
    return command


def line_options(command: F) -> F:
    """--baud, --parity, --stop-bits (without them the tool finds the settings), recording."""
    for decorate in reversed(
        (
            record_options,
            click.option("--baud", type=click.IntRange(50, 4_000_000), help="Rate [bit/s]."),
            click.option(
                "--parity",
                type=click.Choice(["N", "E", "O"], case_sensitive=False),
                metavar="N|E|O",
                help="Parity: none, even, odd.",
            ),
            click.option("--stop-bits", type=click.IntRange(1, 2), help="Stop bits."),
        )
    ):
        command = decorate(command)
    return command


def settings_from(
    baud: int | None, parity: str | None, stop_bits: int | None
) -> LineSettings | None:
    """Line settings from the options; None when none was given.

    What is left out keeps its common value: 9600, no parity, one stop bit.
    """
    from busprobe.model.line import LineSettings, Parity

    if baud is None and parity is None and stop_bits is None:
        return None
    return LineSettings(baud or 9600, Parity((parity or "N").upper()), stop_bits or 1)


class AddressType(click.ParamType[int]):
    """One device address."""

    name = "address"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """1..247 (and 255 for a Modbus TCP device without a line behind it)."""
        if re.fullmatch(r"\d+", value) and (1 <= int(value) <= LAST_ADDRESS or value == "255"):
            return int(value)
        return self.fail(
            f"'{value}' is not an address from 1 to 247 (or 255 on Modbus TCP: the device itself).",
            param,
            ctx,
        )


ADDRESS = AddressType()
