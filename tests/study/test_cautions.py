"""Cautions: short, known by subject, and deferring to codes and trades."""

import pytest

from flowsift.errors import OptionError
from flowsift.study.cautions import CAUTIONS, DEFERENCE, cautions


def test_they_end_with_deference_and_keep_their_order():
    chosen = cautions(["dig", "sprinklers"])
    assert chosen == (CAUTIONS["sprinklers"], CAUTIONS["dig"], DEFERENCE)
    assert "codes" in DEFERENCE.text
    assert "licensed" in DEFERENCE.text


def test_the_usual_dangers_are_covered():
    words = " ".join(c.text for c in CAUTIONS.values()).lower()
    for danger in ("fire sprinklers", "water heater", "confined space", "811", "live", "backflow", "drinking water"):
        assert danger in words


def test_they_are_short_and_have_a_basis():
    assert max(len(c.text) for c in CAUTIONS.values()) < 260
    assert all(c.basis for c in CAUTIONS.values())


def test_an_unknown_subject_is_refused():
    with pytest.raises(OptionError, match="sprinklers"):
        cautions(["sprinkler"])
