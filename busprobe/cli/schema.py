"""`busprobe schema`: the shape of the documents, for other programs."""

from __future__ import annotations

import json

import click

from busprobe.cli import output
from busprobe.cli.documents import RESULTS, json_schema


@click.command("schema")
@click.argument("command_name", metavar="COMMAND", type=click.Choice(sorted(RESULTS)))
def command(command_name: str) -> None:
    """Print the JSON Schema of the document that COMMAND prints with --json."""
    output.line(json.dumps(json_schema(command_name), indent=2))
