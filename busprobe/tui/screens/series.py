"""A recorded series judged at the screen, and a recording exported: files only, nothing is sent."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, ClassVar

from rich.style import Style
from rich.text import Text
from textual.binding import BindingType

from busprobe.model.finding import certainty
from busprobe.tui import words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.form import FormField
from busprobe.tui.host import OnHost
from busprobe.tui.options import Chosen
from busprobe.tui.screens.form_sheet import FormSheet
from busprobe.tui.screens.wiring_pane import brief
from busprobe.tui.series import EXPORT, SITE_SERIES, WIRING_SERIES, export_wish, series_wish

if TYPE_CHECKING:
    from busprobe.diagnosis.balance import BalanceDiagnosis
    from busprobe.diagnosis.wiring import WiringDiagnosis
    from busprobe.model.finding import Finding

_MOST_EXPLANATIONS = 4


class FilesSheet(OnHost, FormSheet):
    """A form that does something with files, and tells below what came of it."""

    SCOPE = Scope.FILES
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.FILES, modal=True)
    """Made from the table of actions."""

    def __init__(self, fields: tuple[FormField, ...], texts: Mapping[str, str]) -> None:
        super().__init__(fields, texts)
        self.asked = False
        self.obstacle = ""

    def on_input_submitted(self) -> None:
        """Enter in a field does it."""
        self.action_go()

    def action_go(self) -> None:
        """Do it; the first mistake is shown instead."""
        if self.shows_mistake():
            return
        chosen = Chosen(self.fields, self.texts)
        self.obstacle = self.missing(chosen)
        self.asked = not self.obstacle
        if self.asked:
            self.begin(chosen)
        self.refresh_state()

    def missing(self, chosen: Chosen) -> str:
        """What has to be written first, or ""."""
        return ""

    def begin(self, chosen: Chosen) -> None:
        """Have the session do it."""
        raise NotImplementedError

    def action_back(self) -> None:
        """Close; what was typed stays for the next time."""
        self.dismiss(self.texts)

    def text(self, texts: Mapping[str, str], wrong: bool) -> Text:
        """What came of it."""
        if self.obstacle:
            told = f"{self.glyphs.warn} {self.obstacle}"
            return Text(told, Style(color=self.colours.warn))
        if not self.asked:
            return Text(self.BEFORE, Style(color=self.colours.dim))
        return self.outcome()

    BEFORE = ""
    """What Enter does."""

    def outcome(self) -> Text:
        """What came of it."""
        raise NotImplementedError

    def doing(self, what: str) -> Text:
        """Told until it is done."""
        return Text(f"{self.glyphs.running} {what}", Style(color=self.colours.accent))

    def failed(self, error: str) -> Text:
        """Why it could not be done."""
        return Text(f"{self.glyphs.fail} {words.told(error)}", Style(color=self.colours.fail))


class SeriesScreen(FilesSheet):
    """Judges a series of one meter, for its wiring, or of a site, for its balance."""

    BEFORE = "Enter judges the series. Nothing is sent, and no link is needed."
    help_topic = "series"

    def __init__(self, texts: Mapping[str, str], *, site: bool) -> None:
        """Make the sheet.

        Args:
            texts: What stands in the fields.
            site: Whether a site is judged, else one meter.
        """
        super().__init__(SITE_SERIES if site else WIRING_SERIES, texts)
        self.site = site

    def on_mount(self) -> None:
        """Name the sheet."""
        what = "Do the meters of a site add up?" if self.site else "How is a meter wired?"
        self.query_one("#sheet").border_title = f"A recorded series: {what}"
        super().on_mount()

    def missing(self, chosen: Chosen) -> str:
        """A series has to be named."""
        named = chosen.path("series-file")
        return "" if named else "No file is named. Write the name of a CSV or JSON Lines file."

    def begin(self, chosen: Chosen) -> None:
        """Have it judged."""
        self.state.series = None
        self._app.session.judge_series(series_wish(chosen, site=self.site))

    def outcome(self) -> Text:
        """Verdict, explanations, findings."""
        judged = self.state.series
        if judged is None:
            return self.doing("reading the series and weighing what could have made it")
        if judged.error:
            return self.failed(judged.error)
        text = Text()
        if judged.wiring is not None:
            self._wiring(text, judged.wiring)
        if judged.balance is not None:
            self._balance(text, judged.balance)
        self._findings(text, judged.findings)
        return text

    def _wiring(self, text: Text, found: WiringDiagnosis) -> None:
        c, g = self.colours, self.glyphs
        ink, dim = Style(color=c.ink), Style(color=c.dim)
        shown = words.verdict(found.verdict, g, c)
        text.append(f"{shown.sign} {shown.word.upper()}", Style(color=shown.colour, bold=True))
        text.append(f"  {certainty(found.probability)} sure, ", ink)
        text.append(f"{len(found.steps)} steps of the load found.\n", ink)
        for explanation in found.explanations[:_MOST_EXPLANATIONS]:
            text.append(f"{certainty(explanation.probability):>11}  ", dim)
            text.append(f"{brief(explanation)}\n", ink)
        more = len(found.explanations) - _MOST_EXPLANATIONS
        if more > 0:
            text.append(f"{'':>11}  and {more} more that fit as well\n", dim)
        self._notes(text, found.next_experiment, found.not_identifiable)

    def _balance(self, text: Text, found: BalanceDiagnosis) -> None:
        c, g = self.colours, self.glyphs
        ink, dim = Style(color=c.ink), Style(color=c.dim)
        shown = words.balance(found.verdict.value, g, c)
        text.append(f"{shown.sign} {shown.word.upper()}", Style(color=shown.colour, bold=True))
        sure = f"  {certainty(found.probability)} sure, over {found.duration_s:.0f} s.\n"
        text.append(sure, ink)
        for meter in found.meters:
            ratio = g.unknown if meter.ratio is None else f"x{meter.ratio:.2f}"
            text.append(f"{words.safe(meter.name):<14.14} ", Style(color=c.accent, bold=True))
            text.append(f"{meter.role.value:<11}{words.number(meter.mean_w, 0, g):>8} W  ", ink)
            text.append(f"sign {meter.sign.value}, ratio {ratio}", ink)
            text.append(f"  {certainty(meter.probability)}\n", dim)
        self._notes(text, found.next_experiment, found.not_identifiable)

    def _notes(self, text: Text, experiment: str | None, unknown: tuple[str, ...]) -> None:
        c, g = self.colours, self.glyphs
        if experiment:
            text.append(f"{g.right} Next experiment: ", Style(color=c.accent, bold=True))
            text.append(f"{words.told(experiment)}\n", Style(color=c.ink))
        for open_question in unknown:
            text.append(f"{g.unknown} Not told by this: ", Style(color=c.dim, bold=True))
            text.append(f"{words.safe(open_question)}\n", Style(color=c.dim))

    def _findings(self, text: Text, findings: tuple[Finding, ...]) -> None:
        c, g = self.colours, self.glyphs
        for finding in findings:
            shown = words.severity(finding.severity, g, c)
            text.append(f"\n{shown} ", Style(color=shown.colour, bold=True))
            text.append(f"{words.told(finding.summary)}\n", Style(color=c.ink, bold=True))
            text.append(f"{g.right} {words.told(finding.remedy)}\n", Style(color=c.ink))
            if finding.caution:
                text.append(f"{g.warn} {words.told(finding.caution)}\n", Style(color=c.warn))


class ExportScreen(FilesSheet):
    """Writes a recording as files for other programs."""

    SHEET_TITLE = "Export a recording"
    BEFORE = (
        "Enter writes the files that are named; those that exist are replaced. The recording "
        "itself is never changed."
    )
    help_topic = "export"

    def __init__(self, texts: Mapping[str, str]) -> None:
        super().__init__(EXPORT, texts)

    def missing(self, chosen: Chosen) -> str:
        """A file has to be named."""
        named = any(chosen.path(field.name) for field in EXPORT[1:])
        return "" if named else "No file is named. Write where to in one of the last four fields."

    def begin(self, chosen: Chosen) -> None:
        """Have the files written."""
        self.state.exported = None
        self._app.session.export(export_wish(chosen))

    def outcome(self) -> Text:
        """What was written."""
        c, g = self.colours, self.glyphs
        done = self.state.exported
        if done is None:
            return self.doing("writing")
        if done.error:
            return self.failed(done.error)
        text = Text(f"{g.ok} Written:", Style(color=c.ok, bold=True))
        for file in done.files:
            text.append(f"\n  {words.safe(file)}", Style(color=c.ink))
        return text
