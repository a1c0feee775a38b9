"""The conformance kit, run against every kind of link."""

import pytest

from tests.conformance.far_ends import (
    MakePair,
    rfc2217_pair,
    rtu_over_tcp_pair,
    serial_pair,
    tcp_pair,
)
from tests.conformance.link_kit import RULES, Rule, check_rule

PAIRS: dict[str, MakePair] = {
    "serial": serial_pair,
    "tcp": tcp_pair,
    "rtu-over-tcp": rtu_over_tcp_pair,
    "rfc2217": rfc2217_pair,
}


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
@pytest.mark.parametrize("kind", PAIRS)
async def test_link_keeps_its_promises(kind: str, rule: Rule) -> None:
    await check_rule(PAIRS[kind], rule)
