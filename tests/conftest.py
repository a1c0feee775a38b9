"""No test writes into the folders of the user who runs it."""

from __future__ import annotations

import pytest

from busprobe.session.own_recordings import PLACE


@pytest.fixture(scope="session", autouse=True)
def _recordings_elsewhere(tmp_path_factory: pytest.TempPathFactory) -> object:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(PLACE, str(tmp_path_factory.mktemp("recordings")))
        yield
