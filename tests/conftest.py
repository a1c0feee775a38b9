"""What holds for every test: nobody's folders are written, nobody's machine is hurried."""

from __future__ import annotations

import hypothesis
import pytest

from busprobe.session.own_recordings import PLACE

# How long an example takes tells of the load of the machine, not of the program; a test that hangs
# is ended by its time-out.
hypothesis.settings.register_profile("any-machine", deadline=None)
hypothesis.settings.load_profile("any-machine")


@pytest.fixture(scope="session", autouse=True)
def _recordings_elsewhere(tmp_path_factory: pytest.TempPathFactory) -> object:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(PLACE, str(tmp_path_factory.mktemp("recordings")))
        yield
