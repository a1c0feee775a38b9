"""The commands of the bench test, as a part of the session."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING

from busprobe.session.events import Step

if TYPE_CHECKING:
    from busprobe.model.line import LineSettings
    from busprobe.session.bench import BenchWish
    from busprobe.session.screen_job import ScreenJob
    from busprobe.session.values import TourPlan


class BenchCommands:
    """Mixin of the session: remembers the tour through line settings that was shown."""

    _settings: LineSettings | None
    _shown_tour: TourPlan | None = None

    def _step(
        self,
        step: Step | None,
        run: Callable[[ScreenJob], Awaitable[None]],
        *,
        changes: bool = False,
    ) -> None:
        raise NotImplementedError

    def plan_tour(self, address: int, only: tuple[LineSettings, ...] = ()) -> None:
        """Find out what measuring a meter at every line setting would write; nothing is written."""

        async def run(job: ScreenJob) -> None:
            from busprobe.session.bench_steps import show_tour

            self._shown_tour = None
            self._shown_tour = await show_tour(job, address, self._settings, only)

        self._step(Step.BENCH, run)

    def bench(self, wish: BenchWish) -> None:
        """Test one meter on the table, and write the test down."""

        async def run(job: ScreenJob) -> None:
            from busprobe.session.bench_steps import run_bench

            shown, self._shown_tour = self._shown_tour, None
            await run_bench(job, wish, shown, self._settings)

        self._step(Step.BENCH, run, changes=wish.every_setting)
