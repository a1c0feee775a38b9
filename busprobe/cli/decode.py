"""`busprobe decode`: what do these bytes say?"""

from __future__ import annotations

import sys
from pathlib import Path

import click

from busprobe.cli import diagnostics, output, words
from busprobe.cli.call import Call, guarded
from busprobe.cli.documents import DecodedFramePart, DecodeResult, JunkPart
from busprobe.cli.options import json_option
from busprobe.model.errors import InputError

# Ten megabytes of hex are half an hour of a full 115200 Bd line: more is a mistake.
_MOST_BYTES = 10_000_000


@click.command("decode")
@click.argument("bytes_", metavar="[HEX]...", nargs=-1)
@click.option("--file", "file", type=click.Path(path_type=Path), help="Read the hex from a file.")
@json_option
@click.pass_context
def command(ctx: click.Context, bytes_: tuple[str, ...], file: Path | None, as_json: bool) -> None:
    """Explain pasted bytes: frames, roles, and junk with its likely meaning.

    HEX as "01 03 00 00 00 02 C4 0B"; without it, or with -, standard input is read.
    """
    from busprobe.wire.explain import explain, parse_hex

    call = Call.begin("decode", as_json)

    def run() -> int:
        explanation = explain(parse_hex(_text(bytes_, file)))
        result = DecodeResult(
            frames=[
                DecodedFramePart.model_validate(
                    {
                        "offset": f.offset,
                        "length": f.length,
                        "role": f.role,
                        "address": f.address,
                        "function": f.function,
                        "text": f.text,
                    }
                )
                for f in explanation.frames
            ],
            junk=[
                JunkPart(offset=j.offset, hex=j.hex, meaning=j.meaning) for j in explanation.junk
            ],
        )
        if as_json:
            output.document(call.document(result))
        else:
            _show(result)
        return diagnostics.ExitStatus.CLEAN

    ctx.exit(guarded(call, run))


def _text(given: tuple[str, ...], file: Path | None) -> str:
    if given and file is not None:
        raise InputError("Both bytes and a file were given.", "Give one of them.")
    if given and given != ("-",):
        return " ".join(given)
    if file is not None:
        try:
            if file.stat().st_size > _MOST_BYTES:
                raise InputError(f"{file} is larger than 10 MB.", "Cut out the part that matters.")
            return file.read_text(encoding="utf-8", errors="replace")
        except OSError as error:
            raise InputError(
                f"{file} cannot be read: {error.strerror}.", "Check the name and the permissions."
            ) from error
    if sys.stdin.isatty():
        diagnostics.say("Paste the bytes as hex, then end with Ctrl-D (Windows: Ctrl-Z, Enter).")
    return sys.stdin.read(_MOST_BYTES)


def _show(result: DecodeResult) -> None:
    rows: list[tuple[int, str, str, str]] = [
        (f.offset, f"{f.length}", f.role, f"address {f.address}: {f.text}") for f in result.frames
    ]
    rows += [
        (j.offset, f"{len(j.hex.split())}", "no frame", f"{j.hex}: {j.meaning}")
        for j in result.junk
    ]
    rows.sort()
    if not rows:
        output.line("No bytes were given.")
        return
    words.table(
        ("at", "bytes", "what", "meaning"),
        [(str(offset), size, what, text) for offset, size, what, text in rows],
        right=(0, 1),
    )
