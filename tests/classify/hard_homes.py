"""Homes unlike the published middle, built from the simulator's parts."""

from dataclasses import replace

import numpy as np

from flowsift.evaluate.account import account_of_answer, account_of_truth
from flowsift.evaluate.comparison import Comparison
from flowsift.households.days import days_from
from flowsift.households.faults import Faults
from flowsift.households.fixtures.bathing import Shower
from flowsift.households.fixtures.toilets import GravityToilet
from flowsift.households.plumbing import ServiceLine
from flowsift.households.population import draw_home
from flowsift.households.simulate import all_uses, run_uses
from flowsift.labels import LABELS

WELL = ServiceLine(
    supply="pump",
    loss_at_20_lpm=0.25,
    swing=0.0,
    flutter=0.01,
    turbulence=0.02,
    cut_in=0.5,
    drawdown_l=15.0,
    pump_lpm=18.0,
)
"""A hand-dug well with a small pump set to 20 and 40 psi: pressure falls by half between its runs."""


def make_home(seed, *, days, change=lambda home: home, left_out=(), people=2, pulse_l=0.03, interval_s=1.0):
    """Draw an indoor home, change its fixtures or its line, and run it without the labels left out."""
    home = draw_home(seed, stock="us", n_days=days, people=people, outdoors=False, exclude=("worn flapper",))
    home = change(replace(home, leaks=(), meter=replace(home.meter, pulse_l=pulse_l, interval_s=interval_s)))
    calendar = days_from("2024-06-03", n=days, timezone="UTC")
    uses = [use for use in all_uses(home, calendar, seed=seed) if use.label not in left_out]
    return run_uses(uses, home, calendar, seed=seed, faults=Faults(), card={})


def with_toilets(home, *kinds):
    """Give the toilets of a home, in order, these attributes; the last is for all that are left."""
    toilets = [fixture for fixture in home.fixtures if isinstance(fixture, GravityToilet)]
    changed = {t.name: replace(t, **kinds[min(k, len(kinds) - 1)]) for k, t in enumerate(toilets)}
    return replace(home, fixtures=tuple(changed.get(fixture.name, fixture) for fixture in home.fixtures))


def with_showers(home, **attributes):
    """Give every shower of a home these attributes."""
    fixtures = (replace(f, **attributes) if isinstance(f, Shower) else f for f in home.fixtures)
    return replace(home, fixtures=tuple(fixtures))


def found(home, result, label):
    """Return the share of a label's true volume that is on that label, and of its answered volume."""
    truth, answer = account_of_truth(home.truth, home.trace), account_of_answer(result)
    flow = [np.zeros(home.trace.n_flow) for _ in range(2)]
    for side, account in zip(flow, (truth, answer), strict=True):
        mine = account.label[account.shares.event] == LABELS.index(label)
        np.add.at(side, account.shares.flow[mine], account.shares.volume_l[mine])
    both = np.minimum(*flow).sum()
    return both / max(flow[0].sum(), 1e-9), both / max(flow[1].sum(), 1e-9)


def flush_count(home, result):
    """Return the share of true flushes that are answered as flushes, and of answered ones that are."""
    match = Comparison(truth=account_of_truth(home.truth, home.trace), answer=account_of_answer(result)).loose
    flush = LABELS.index("flush")
    truth, answer = account_of_truth(home.truth, home.trace).label, account_of_answer(result).label
    right = (truth[match.truth] == flush) & (answer[match.answer] == flush)
    return right.sum() / max((truth == flush).sum(), 1), right.sum() / max((answer == flush).sum(), 1)
