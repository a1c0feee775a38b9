"""Does the site add up: is every meter in its role, the right way round, with the right ratio?"""

from __future__ import annotations

from busprobe.diagnosis.balance.diagnose import diagnose_balance
from busprobe.diagnosis.balance.findings import balance_findings
from busprobe.diagnosis.balance.types import (
    BalanceDiagnosis,
    BalanceVerdict,
    CounterCheck,
    CurtailMark,
    InputBalance,
    MeterBalance,
    MeterRole,
    Place,
    Positive,
    Role,
    Sign,
)
from busprobe.diagnosis.balance.watch import BalanceWatch

__all__ = [
    "BalanceDiagnosis",
    "BalanceVerdict",
    "BalanceWatch",
    "CounterCheck",
    "CurtailMark",
    "InputBalance",
    "MeterBalance",
    "MeterRole",
    "Place",
    "Positive",
    "Role",
    "Sign",
    "balance_findings",
    "diagnose_balance",
]
