"""Questions asked of an answer: flush volumes, leaks, savings, budget."""

from flowsift.study.alerts import AlertPlan, AlertRule, alert_levels
from flowsift.study.budget import Budget, water_budget
from flowsift.study.comparison import Comparison, compare, compare_at
from flowsift.study.flushes_study import FlushStudy, flushes
from flowsift.study.isolation import Isolation, isolate
from flowsift.study.isolation_log import Step, read_steps
from flowsift.study.leaks_ledger import LeakLedger, leaks
from flowsift.study.loads import loads
from flowsift.study.programme import Programme, programme
from flowsift.study.tariff import Tariff, read_tariff

__all__ = [
    "AlertPlan",
    "AlertRule",
    "Budget",
    "Comparison",
    "FlushStudy",
    "Isolation",
    "LeakLedger",
    "Programme",
    "Step",
    "Tariff",
    "alert_levels",
    "compare",
    "compare_at",
    "flushes",
    "isolate",
    "leaks",
    "loads",
    "programme",
    "read_steps",
    "read_tariff",
    "water_budget",
]
