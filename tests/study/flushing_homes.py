"""Disaggregated homes with toilets of known volume, for the tests of the study of flushes."""

import numpy as np
import pandas as pd

import flowsift as fs
from flowsift.disaggregation import from_uses

DAY_S = 86_400


def flushing_home(
    toilets,
    *,
    days=10,
    per_day=8,
    mixed=0.3,
    mixed_after_s=3,
    spread=0.015,
    pulse_l=0.02,
    leak=None,
    trickle_lpm=0.0,
    seed=0,
    label="flush",
    timezone="UTC",
    unit="L",
    interval_s=1,
):
    """A home at 1 s, if not told otherwise: toilets are (volume_l, flow_lpm[, reduced_l]) and flush one at a time.

    A share `mixed` of the refills has 0.2 to 2 L of other water in it, which comes on `mixed_after_s` later. `leak` is
    (toilet, volume_l, every_s): short refills all day and night.
    """
    rng = np.random.default_rng(seed)
    slots = np.arange(60, days * DAY_S - 900, 480)
    kept = slots[(slots % DAY_S) >= 6 * 3600]
    starts = np.sort(rng.choice(kept, size=days * per_day * len(toilets), replace=False))
    uses = []
    for k, start in enumerate(starts.tolist()):
        volume, flow, *reduced = toilets[k % len(toilets)]
        if reduced and rng.random() < 0.5:
            volume = reduced[0]
        volume *= rng.normal(1.0, spread)
        extra = rng.uniform(0.2, 2.0) if rng.random() < mixed else 0.0
        uses.append((start, volume, flow, extra, label, f"toilet-{k % len(toilets) + 1}"))
    if leak is not None:
        which, volume, every = leak
        busy = np.array([u[0] for u in uses])
        for start in range(300, days * DAY_S - 900, every):
            if np.abs(busy - start).min() > 240:
                uses.append((start, volume, toilets[which][1], 0.0, "toilet_leak", f"toilet-{which + 1}"))
    uses.sort()
    flow_l = np.full(days * DAY_S, trickle_lpm / 60.0)
    table = []
    for start, volume, flow, extra, name, fixture in uses:
        length = volume / flow * 60.0
        edges = np.arange(int(np.ceil(length)) + 1)
        upto = np.minimum(edges / length, 1.0) * volume
        span = slice(start, start + upto.size - 1)
        flow_l[span] += np.diff(upto)
        on_top = slice(start + mixed_after_s, start + mixed_after_s + max(int(length * 0.6), 1))
        flow_l[on_top] += extra / (on_top.stop - on_top.start)
        table.append((start, max(start + upto.size, on_top.stop if extra else 0), name, fixture))
    upto = np.floor(np.concatenate([[0.0], np.cumsum(flow_l)]) / pulse_l + 1e-9) * pulse_l
    volume = np.diff(upto[::interval_s])
    cell = np.flatnonzero(volume > 1e-9)
    trace = fs.Trace(
        start_ns=pd.Timestamp("2024-06-03T00:00Z").value,
        interval_ns=interval_s * 10**9,
        n_cells=days * DAY_S // interval_s,
        cell=cell,
        volume_l=volume[cell],
        gaps=np.empty((0, 2), np.int64),
        gap_volume_l=np.empty(0),
        pulse_l=pulse_l,
        timezone=timezone,
        unit=unit,
    )
    origin = pd.Timestamp("2024-06-03T00:00Z")
    frame = pd.DataFrame(table, columns=["start", "end", "label", "fixture"])
    for column in ("start", "end"):
        frame[column] = origin + pd.to_timedelta(frame[column], unit="s")
    return from_uses(trace, frame)
