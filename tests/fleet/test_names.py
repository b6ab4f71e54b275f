"""Ids of homes as names of folders: safe, and never two alike."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flowsift.fleet.names import partition_of, printable, split_partition, trouble_with

IDS = st.text(st.characters(exclude_categories=["Cs"]), min_size=1) | st.text("aA.~%/ =é", min_size=1)


@given(IDS)
def test_a_name_is_safe_and_tells_the_id(home):
    name = partition_of(home)
    assert re.fullmatch(r"home=[a-z0-9_.%A-F-]*[a-z0-9_%A-F-]", name)
    assert split_partition(name) == ("home", home)


@given(IDS, IDS)
def test_two_ids_share_no_name_even_without_case(one, other):
    assert (partition_of(one).casefold() == partition_of(other).casefold()) == (one == other)


@pytest.mark.parametrize("home", ["", "__HIVE_DEFAULT_PARTITION__", "caf\udce9"])
def test_ids_that_cannot_be(home):
    assert trouble_with(home)
    assert trouble_with("7") is None
    assert partition_of(home).isascii()


def test_an_id_never_moves_the_cursor():
    assert printable("b 17 é") == "b 17 é"
    assert printable("a\x1b[2Jb").isprintable()
