"""Examples under each command's help; a test runs every one of them."""

from __future__ import annotations

from types import MappingProxyType

EXAMPLES: MappingProxyType[str, tuple[str, ...]] = MappingProxyType(
    {
        "account": (
            "flowsift account meter.csv",
            "flowsift account meter.csv --timezone America/Denver --units us",
            "flowsift account meter.csv --unit L --kind volume --time-column time",
            "flowsift account meter.csv --events events.csv --json account.json",
        ),
        "demo": ("flowsift demo --units us", "flowsift demo --events events.csv"),
        "report": ("flowsift report meter.csv -o report.html --units us",),
        "plot": (
            "flowsift plot meter.csv --what day -o days.png",
            'flowsift plot meter.csv --what trace --start "2024-06-12 06:00" --end "2024-06-12 10:00" -o morning.svg',
        ),
        "flushes": ("flowsift flushes meter.csv", "flowsift flushes homes --out study.parquet"),
        "leaks": ("flowsift leaks meter.csv --units us", "flowsift leaks meter.csv --tariff tariff.toml"),
        "isolate": (
            "flowsift isolate meter.csv --plan --rate 0.05gpm",
            "flowsift isolate meter.csv --log steps.csv --timezone America/Denver",
        ),
        "checks": ('flowsift checks meter.csv --bucket "2024-06-14 04:04" "2024-06-14 04:07" 7.5L',),
        "compare": (
            "flowsift compare meter.csv --at 2024-06-14",
            "flowsift compare before.csv after.csv --tariff tariff.toml --cost 120",
        ),
        "alerts": ("flowsift alerts meter.csv --false-alarms 2",),
        "budget": ("flowsift budget meter.csv --eto 51in/yr --area 650ft2 --bedrooms 3",),
        "learn": ("flowsift learn meter.csv -o home.json",),
        "watch": ("flowsift watch --home home.json samples.csv --finish",),
        "fleet": ("flowsift fleet homes -o answers --workers 2",),
        "simulate": ("flowsift simulate -o made --homes 2 --days 3 --format csv",),
        "score": ("flowsift score --method floor --suite quick --homes 1 -o runs/floor",),
        "rank": ("flowsift rank runs/floor runs/empty -o table",),
    }
)
"""Command lines by command; ``meter.csv`` stands for the user's own file."""


def epilog_of(command: str) -> str:
    """Return the text under a command's help: its examples, each on a line of its own."""
    return "\b\nExamples:\n" + "\n".join(f"  {line}" for line in EXAMPLES[command])
