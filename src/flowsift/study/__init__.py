"""Questions asked of an answer: flush volumes, leaks, savings, budget."""

from flowsift.study.alerts import AlertPlan, AlertRule, alert_levels
from flowsift.study.budget import Budget, water_budget
from flowsift.study.budget_landscape import Landscape, read_eto
from flowsift.study.comparison import Comparison, compare, compare_at
from flowsift.study.flushes_study import FlushStudy, flushes
from flowsift.study.isolation import Isolation, isolate
from flowsift.study.isolation_log import Step, read_steps
from flowsift.study.leaks_ledger import LeakLedger, leaks
from flowsift.study.loads import loads
from flowsift.study.meter_checks import bucket_test, corrected, register_check, zero_test
from flowsift.study.programme import Programme, programme
from flowsift.study.tariff import Tariff, read_tariff

__all__ = [
    "AlertPlan",
    "AlertRule",
    "Budget",
    "Comparison",
    "FlushStudy",
    "Isolation",
    "Landscape",
    "LeakLedger",
    "Programme",
    "Step",
    "Tariff",
    "alert_levels",
    "bucket_test",
    "compare",
    "compare_at",
    "corrected",
    "flushes",
    "isolate",
    "leaks",
    "loads",
    "programme",
    "read_eto",
    "read_steps",
    "read_tariff",
    "register_check",
    "water_budget",
    "zero_test",
]
