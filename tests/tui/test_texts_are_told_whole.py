"""Evidence, remedies and second candidates are read whole, not guessed behind dots."""

from __future__ import annotations

from fake_session import DUPLICATE_FINDING
from stage import Stage, go_to, on_stage
from textual.widgets import Input

from busprobe.tui.screens.address_pane import AddressList
from busprobe.tui.widgets.findings_list import FindingsList


def joined(stage: Stage, left: int = 0) -> str:
    """What stands right of a column, its rows run together."""
    rows = (row[left:].strip(" │▅▃▇") for row in stage.screen_text().splitlines())
    return " ".join(row for row in rows if row)


async def test_the_evidence_of_addresses_is_wrapped_in_the_smallest_window() -> None:
    async with on_stage(size=(80, 24)) as stage:
        await go_to(stage, "addresses")
        text = joined(stage, 18)
        assert "serial 30417788  and 30417790" in text
        assert DUPLICATE_FINDING.evidence[0].text in text
        # A click on a row of the second entry marks the second one.
        listed = stage.app.screen.query_one(AddressList)
        assert listed.index_at(listed.row_of(1)) == 1
        assert listed.index_at(listed.row_of(1) - 1) == 0
        listed.focus()
        await stage.press("down")
        assert stage.app.state.selected == 2


async def test_remedies_are_wrapped_below_a_tall_window() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await go_to(stage, "addresses")
        listed = stage.app.screen.query_one(FindingsList)
        assert listed.uneven
        text = joined(stage)
        for finding in stage.app.state.ordered_findings:
            assert finding.remedy in text
        listed.focus()
        await stage.press("end", "enter")
        assert "Nothing to do." in joined(stage)


async def test_the_second_candidate_of_a_wiring_is_told_whole() -> None:
    async with on_stage(size=(80, 24)) as stage:
        await go_to(stage, "wiring-done")
        assert "CT L2 on L3, CT L3 on L2 and reversed" in joined(stage, 18)


async def test_of_two_at_one_address_only_the_one_that_was_read_has_a_name() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await go_to(stage, "addresses")
        rows = stage.screen_text().splitlines()
        serials = next(row for row in rows if "30417788" in row and "30417790" in row)
        models = rows[rows.index(serials) - 1]
        assert "TF-340" in models[: serials.index("30417790")]
        assert "? model" in models[serials.index("30417788") + 8 :]


async def test_a_finding_beside_the_live_values_is_told_whole() -> None:
    async with on_stage(size=(80, 24)) as stage:
        await go_to(stage, "addresses")
        await stage.press("2")
        assert "Two devices answer at address 1." in " ".join(stage.screen_text().split())


async def test_what_stands_in_the_way_of_a_port_is_told_whole() -> None:
    async with on_stage(size=(80, 24)) as stage:
        assert "▲ no permission: join g…" in stage.screen_text()
        await stage.press("down")
        assert stage.app.screen.query_one("#argument", Input).value == "/dev/ttyUSB1"
        assert "▲ no permission: join group dialout" in joined(stage, 18)
        # It is gone with the next link, which has no such trouble.
        await stage.press("down")
        assert "join group dialout" not in joined(stage, 18)


async def test_the_title_of_a_check_that_no_row_holds_stands_below() -> None:
    async with on_stage(size=(80, 24)) as stage:
        await go_to(stage, "verified")
        await stage.press("down")
        assert "heat pump meter: Every CT on its phase, the right way round" in joined(stage, 18)
