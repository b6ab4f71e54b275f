import re
from html import unescape

import pytest

import flowsift as fs
from flowsift.errors import InputError
from flowsift.quality import finding_of, flow, volume
from flowsift.report.account import water_account
from flowsift.report.account_text import account_sections
from flowsift.report.as_json import json_dict
from flowsift.report.page.sheets import quality_sheet
from flowsift.units import L_PER_GAL


def test_a_finding_names_its_amounts_in_either_unit_system():
    found = finding_of("above {}; {} left out", flow(0.117), volume(7.5), kind="fault", what="impossible flow")
    assert found.said() == found.treatment == "above 0.117 L/min; 7.5 L left out"
    assert found.said("us") == "above 0.0309 gal/min; 1.98 gal left out"


def test_a_finding_without_amounts_reads_alike_in_either_unit_system():
    found = finding_of("it was kept", kind="fault", what="stuck values")
    assert found.said("us") == found.said("si") == "it was kept"
    assert found.treatment_us == ""


@pytest.fixture(scope="module")
def faulty():
    """A day of a register in gallons: coarse, with a gap that water passed in and a rise that no meter passes."""
    rising = [0.5 * (k % 7 == 0) for k in range(1440)]
    rising[700] = 5000.0
    readings = [10_000.0 * L_PER_GAL]
    for step in rising:
        readings.append(readings[-1] + step * L_PER_GAL)
    times = [60.0 * k for k in range(len(readings)) if not 300 <= k < 330]
    trace = fs.Trace.from_register(times, [r for k, r in enumerate(readings) if not 300 <= k < 330])
    return fs.disaggregate(trace)


@pytest.mark.parametrize(("units", "other"), [("si", "gal"), ("us", "L")])
def test_what_is_wrong_assumed_and_unknown_is_told_in_the_unit_of_the_answer(faulty, units, other):
    account = water_account(faulty)
    whats = {finding.what for finding in account.findings if finding.treatment_us}
    assert {"impossible flow", "missing intervals", "pulse volume", "smallest trickle", "small uses"} <= whats
    printed = [line for section in account_sections(account, units=units) for line in section.lines]
    dumped = [finding["treatment"] for finding in json_dict(account, units=units)["findings"]]
    assert re.findall(rf"\d {other}\b", " ".join(printed + dumped)) == []
    page = unescape(" ".join(str(cell) for row in quality_sheet(faulty, account).rows for cell in row))
    assert all(finding.said(units) in page for finding in account.findings)


def test_an_error_names_the_amount_that_stands_in_a_file_in_gallons(tmp_path):
    minutes = [f"2025-01-01 {k // 60:02d}:{k % 60:02d}" for k in range(60)]
    path = tmp_path / "meter.csv"

    def written(values):
        path.write_text("\n".join(["time,gallons", *(f"{t},{v}" for t, v in zip(minutes, values, strict=True))]))
        return path

    with pytest.raises(InputError, match=r"row 2, .*\(900 gal\) in one interval"):
        fs.read_trace(written([900 * (k % 7 == 0) for k in range(60)]))
    with pytest.raises(InputError, match=r"row 8, .*\(5 gal\) below the one before"):
        fs.read_trace(written([2_345_678 + k - 6 * (k // 6) for k in range(60)]), kind="register")
