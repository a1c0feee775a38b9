"""The guided tour leads through all steps of the job by the keys it names."""

from __future__ import annotations

from stage import make_app, on_stage

from busprobe.tui import words
from busprobe.tui.tour import demo_stops


async def test_the_tour_goes_on_by_what_the_technician_does() -> None:
    async with on_stage(make_app(tour=True, link="sim:demo")) as stage:
        tour = stage.app.tour
        assert tour is not None
        assert stage.session.calls == []
        assert "Welcome. This bus is simulated" in stage.screen_text()
        await stage.press("s")
        assert tour.position == 1
        await stage.press("o")
        assert stage.session.calls[-1] == ("find", ("fast",))
        await stage.play()
        assert tour.position == 3
        await stage.press("3", "s")
        await stage.play()
        assert tour.position == 4
        await stage.press("d", "b")
        assert tour.position == 5
        await stage.press("5", "right", "s")
        await stage.play()
        assert tour.position == 6
        await stage.press("h")
        await stage.play()
        assert tour.position == 7
        await stage.press("4", "s")
        await stage.play()
        assert tour.position == 8
        await stage.press("6")
        assert tour.position == 9
        await stage.press("7")
        assert tour.position == len(tour.stops) - 1
        assert "k ends the tour" in stage.screen_text()
        await stage.press("k")
        assert "Tour" not in stage.screen_text()


async def test_the_tour_can_be_skipped_at_any_time() -> None:
    async with on_stage(make_app(tour=True)) as stage:
        await stage.press("k")
        assert "Tour" not in stage.screen_text()
        await stage.press("s")
        assert stage.app.state.is_open


def test_every_stop_fits_two_rows_of_the_smallest_window_and_names_a_key() -> None:
    for stop in demo_stops(2):
        assert len(words.wrapped(stop.text, 80 - 18)) <= 2
        assert any(f" {key} " in f" {stop.text} ".replace(":", " ").replace(",", " ").replace(
            ".", " ") for key in "sox3d5hf4s67k")  # fmt: skip
