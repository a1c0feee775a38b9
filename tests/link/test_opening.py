import subprocess
import sys

import pytest

from busprobe.link.opening import open_link
from busprobe.model.errors import LinkError
from busprobe.model.line import LineSettings, parse_link
from tests.conformance.far_ends import rfc2217_pair, serial_pair, tcp_pair


@pytest.mark.parametrize("argument", ["sim:two-meters", "replay:visit.busprobe"])
async def test_what_is_no_hardware_is_not_opened_here(argument: str) -> None:
    with pytest.raises(LinkError, match="made by the program itself"):
        await open_link(parse_link(argument), None)


async def test_a_line_without_given_settings_starts_with_the_common_ones() -> None:
    for link, far in (await serial_pair(), await rfc2217_pair()):
        assert link.settings == LineSettings(9600)
        await link.close()
        await far.close()
    host, end = await tcp_pair()
    assert host.settings is None
    await host.close()
    await end.close()


def test_opening_loads_no_driver_before_one_is_needed() -> None:
    code = "import sys, busprobe.link.opening; print(sorted({'serial', 'socket'} & {*sys.modules}))"
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert run.stdout.strip() == "[]"
