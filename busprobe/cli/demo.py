"""`busprobe demo`: the whole job on a simulated site."""

from __future__ import annotations

import click

from busprobe.cli.call import outside
from busprobe.cli.options import screen_options


@click.command("demo")
@click.option("--scenario", default="demo", show_default=True, help="Another simulated site.")
@click.option("--no-tour", is_flag=True, help="Leave out the guiding text.")
@screen_options
@click.pass_context
def command(
    ctx: click.Context, scenario: str, no_tour: bool, theme: str | None, glyphs: str
) -> None:
    """See the whole job on a simulated site with faults, in real time, without hardware."""
    ctx.exit(
        outside(ctx).run_terminal(
            link=f"sim:{scenario}", tour=not no_tour, theme=theme, glyphs=glyphs
        )
    )
