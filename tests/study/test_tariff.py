"""Tariffs: bills worked out by hand, and errors that name the key."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowsift.errors import InputError, OptionError
from flowsift.study.tariff import PERIOD_DAYS, example_tariff_text, parsed_tariff, read_tariff
from flowsift.units import L_PER_GAL

KGAL = 1000 * L_PER_GAL

PLAIN = """
currency = "EUR"
unit = "m3"
[[blocks]]
price = 2.0
"""


@pytest.mark.parametrize(
    ("kgal", "bill"),
    [
        # 14 + 9 fixed; water 3.10 to 4, 4.65 to 12, 7.90 beyond; sewer 5.20 to 10.
        (0, 23.0),
        (3, 23.0 + 3 * 3.10 + 3 * 5.20),
        (4, 23.0 + 4 * 3.10 + 4 * 5.20),
        (10, 23.0 + 4 * 3.10 + 6 * 4.65 + 10 * 5.20),
        (15, 23.0 + 4 * 3.10 + 8 * 4.65 + 3 * 7.90 + 10 * 5.20),
    ],
)
def test_the_example_bill_by_hand(kgal, bill):
    assert parsed_tariff(example_tariff_text()).bill(kgal * KGAL) == pytest.approx(bill)


def test_a_plain_price_has_no_other_charges(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(PLAIN, encoding="utf-8")
    tariff = read_tariff(path)
    path.write_text(PLAIN, encoding="utf-8-sig")  # as some editors save it
    assert read_tariff(path) == tariff
    assert tariff.name == "mine"
    assert tariff.bill(5000.0) == pytest.approx(10.0)
    assert tariff.cost_per_year(100.0) == pytest.approx(73.0)
    assert tariff.cost_of_part(40.0, whole_per_day_l=100.0) == pytest.approx(0.4 * 73.0)


def test_a_share_of_the_water_goes_to_the_sewer():
    tariff = parsed_tariff(PLAIN + "[sewer]\nprice = 1.0\nshare = 0.8\n")
    assert tariff.bill(1000.0) == pytest.approx(2.8)


def test_a_leak_is_priced_in_the_blocks_that_it_fills_last():
    tariff = parsed_tariff(example_tariff_text())
    month = PERIOD_DAYS["month"]
    whole, part = 13 * KGAL / month, 1 * KGAL / month
    assert tariff.cost_of_part(part, whole_per_day_l=whole) == pytest.approx(12 * 7.90)


@given(volume=st.floats(0, 1e6), more=st.floats(0, 1e5))
def test_more_water_never_costs_less(volume, more):
    tariff = parsed_tariff(example_tariff_text())
    assert tariff.bill(volume + more) >= tariff.bill(volume) - 1e-9


@pytest.mark.parametrize(
    ("text", "key"),
    [
        (PLAIN.replace("currency", "money"), "money"),
        (PLAIN.replace('currency = "EUR"', ""), "currency"),
        (PLAIN.replace('"m3"', '"pints"'), "unit"),
        (PLAIN.replace("price = 2.0", "price = -2.0"), "blocks 1: price"),
        (PLAIN.replace("price = 2.0", 'price = "two"'), "blocks 1: price"),
        (PLAIN.replace("price = 2.0", "price = true"), "blocks 1: price"),
        (PLAIN.replace("price = 2.0", "price = nan"), "blocks 1: price"),
        (PLAIN.replace("price = 2.0", "price = 2.0\nup_to = 3"), "blocks 1: up_to"),
        (PLAIN + "[[blocks]]\nprice = 3.0", "blocks 1: up_to"),
        (PLAIN.replace("price", "up_to = 5\nprice") + "[[blocks]]\nup_to = 4\nprice = 1\n[[blocks]]\nprice = 3.0", "blocks 2: up_to"),  # noqa: E501
        (PLAIN.replace("[[blocks]]\nprice = 2.0", ""), "blocks"),
        (PLAIN + "[sewer]\nshare = 1.5", "sewer.share"),
        (PLAIN + "[sewer]\nlid = 1", "sewer.lid"),
        ('billing_period = "week"' + PLAIN, "billing_period"),
        ("sewer = 3" + PLAIN, "sewer"),
    ],
)  # fmt: skip
def test_errors_name_the_key(text, key):
    with pytest.raises(InputError) as caught:
        parsed_tariff(text, file="t.toml")
    assert caught.value.column == key
    assert str(caught.value).startswith("t.toml")


def test_what_is_no_toml_is_refused(tmp_path):
    with pytest.raises(InputError, match="no TOML"):
        parsed_tariff("currency = ")
    path = tmp_path / "t.toml"
    path.write_bytes(b"\xff\xfe\xfa")
    with pytest.raises(InputError, match="UTF-8"):
        read_tariff(path)
    with pytest.raises(OptionError, match="volume_l"):
        parsed_tariff(PLAIN).bill(-1.0)
