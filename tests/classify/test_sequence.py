import numpy as np
import pytest

from flowsift.classify.sequence import FEW, NAMES, sequence_evidence
from flowsift.labels import LABELS

FLUSH, FAUCET = LABELS.index("flush"), LABELS.index("faucet")


def count(evidence, side, within_s, label):
    return np.exp(evidence[:, NAMES.index(f"log_{side}_{within_s}s_{LABELS[label]}")]) - FEW


def test_uses_before_and_after_are_counted_by_hand():
    start_s = np.array([0.0, 100.0, 100.0, 800.0, 9000.0])
    probability = np.zeros((5, len(LABELS)))
    probability[[0, 1, 3, 4], FLUSH] = 1.0
    probability[2, [FLUSH, FAUCET]] = 0.25, 0.75
    evidence = sequence_evidence(start_s, probability)
    assert evidence.shape == (5, len(NAMES))
    assert count(evidence, "before", 120, FLUSH) == pytest.approx([0, 1, 2, 0, 0], abs=1e-5)
    assert count(evidence, "after", 120, FLUSH) == pytest.approx([1.25, 0.25, 0, 0, 0], abs=1e-5)
    assert count(evidence, "after", 900, FLUSH) == pytest.approx([2.25, 1.25, 1, 0, 0], abs=1e-5)
    assert count(evidence, "before", 3600, FAUCET) == pytest.approx([0, 0, 0, 0.75, 0], abs=1e-5)


def test_no_use_has_no_neighbours():
    assert sequence_evidence(np.empty(0), np.empty((0, len(LABELS)))).shape == (0, len(NAMES))
