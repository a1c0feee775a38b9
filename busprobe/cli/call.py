"""One call of a command: its documents, its errors, its exit status."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import click

from busprobe import __version__
from busprobe.cli import diagnostics, output
from busprobe.cli.app import Outside
from busprobe.cli.documents import Document, ErrorDocument, FindingPart, LinkPart, Part
from busprobe.model.errors import BusprobeError

if TYPE_CHECKING:
    from busprobe.model.finding import Finding

ResultT = TypeVar("ResultT", bound=Part)
StatusT = TypeVar("StatusT", int, int | None)


@dataclass(frozen=True, slots=True)
class Traffic:
    """What a call did on its link."""

    link: LinkPart | None = None
    bus_time_s: float = 0.0
    exchanges: int = 0
    recordings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Call:
    """One call of a command.

    Attributes:
        command: Its name.
        as_json: Whether it prints a document.
        started: When, ISO 8601 with offset.
    """

    command: str
    as_json: bool
    started: str

    @classmethod
    def begin(cls, command: str, as_json: bool) -> Call:
        """Note when the call began."""
        return cls(command, as_json, datetime.datetime.now().astimezone().isoformat("T", "seconds"))

    def fail(self, error: BusprobeError) -> int:
        """Report an error, in words and, when asked for, as a document."""
        if self.as_json:
            output.document(
                ErrorDocument(
                    command=self.command,
                    version=__version__,
                    error=error.cause,
                    next_step=error.next_step,
                )
            )
        diagnostics.error(error)
        return diagnostics.status_of(error)

    def document(
        self,
        result: ResultT,
        findings: Sequence[Finding] = (),
        traffic: Traffic | None = None,
    ) -> Document[ResultT]:
        """The document of this call."""
        traffic = traffic or Traffic()
        return Document[ResultT](
            command=self.command,
            version=__version__,
            started=self.started,
            link=traffic.link,
            bus_time_s=traffic.bus_time_s,
            exchanges=traffic.exchanges,
            recordings=list(traffic.recordings),
            findings=findings_part(findings),
            result=result,
        )


_ORDER = {"fault": 0, "warning": 1, "note": 2}


def findings_part(findings: Sequence[Finding]) -> list[FindingPart]:
    """Findings, faults first."""
    return [
        FindingPart.model_validate(
            {
                "code": f.code,
                "severity": f.severity.value,
                "address": f.address,
                "device": f.device,
                "summary": f.summary,
                "cause": f.cause,
                "probability": f.probability,
                "evidence": [{"exchange": e.exchange, "text": e.text} for e in f.evidence],
                "remedy": f.remedy,
                "caution": f.caution,
            }
        )
        for f in sorted(findings, key=lambda f: (_ORDER[f.severity], f.address or 0, f.code))
    ]


def outside(ctx: click.Context) -> Outside:
    """What the launcher handed over."""
    found = ctx.find_object(Outside)
    assert found is not None
    return found


def guarded(call: Call, work: Callable[[], StatusT]) -> StatusT | int:
    """Run something and turn its errors into words and an exit status."""
    try:
        return work()
    except BusprobeError as error:
        return call.fail(error)
    except KeyboardInterrupt:
        diagnostics.progress_done()
        diagnostics.say("Stopped.")
        return diagnostics.ExitStatus.INTERRUPTED
