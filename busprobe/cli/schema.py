"""`busprobe schema`: the shape of the documents, for other programs and for editors."""

from __future__ import annotations

import json

import click

from busprobe.cli import output
from busprobe.cli.documents import RESULTS, json_schema

# Files that people write, beside the documents that commands print.
PLAN, PROFILE = "plan", "profile"
# The document of the command of the same name.
PLAN_DOCUMENT = "plan-document"


@click.command("schema")
@click.argument(
    "name",
    metavar="COMMAND|plan|profile",
    type=click.Choice(sorted((*RESULTS, PLAN_DOCUMENT, PROFILE))),
)
def command(name: str) -> None:
    """Print the JSON Schema of the document that COMMAND prints with --json.

    'plan' and 'profile' are the schemas of a site plan and of a device profile, for completion in
    an editor; 'plan-document' is that of what 'busprobe plan --json' prints.
    """
    if name == PLAN:
        from busprobe.site.plan import plan_schema

        shape = plan_schema()
    elif name == PROFILE:
        from busprobe.profiles.schema import profile_schema

        shape = profile_schema()
    else:
        shape = json_schema(PLAN if name == PLAN_DOCUMENT else name)
    output.line(json.dumps(shape, indent=2))
