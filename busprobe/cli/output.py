"""The only module that writes to standard output."""

from __future__ import annotations

import os
import sys

from pydantic import BaseModel

from busprobe.cli.plain import encodable


def line(text: str = "") -> None:
    """Print one line of words."""
    _write(text + "\n")


def document(value: BaseModel) -> None:
    """Print the one JSON document of a call."""
    _write(value.model_dump_json(by_alias=True, indent=2) + "\n")


def raw(text: str) -> None:
    """Print text as it is."""
    _write(text)


def _write(text: str) -> None:
    try:
        # A console that lacks a character shows a near one, never a traceback.
        sys.stdout.write(encodable(text, sys.stdout.encoding or "utf-8"))
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader went away (`busprobe scan ... | head`): be quiet, also at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(0) from None
