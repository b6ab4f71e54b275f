"""A learned home to and from JSON."""

from __future__ import annotations

from typing import Any

import numpy as np

from flowsift.classify.facts import HomeFacts
from flowsift.classify.home_clock import N_BINS
from flowsift.classify.home_profile import FLOW, VOLUME, HomeProfile
from flowsift.classify.mixture import HomeModel
from flowsift.classify.modes import Modes
from flowsift.classify.prior import Prior
from flowsift.errors import InputError
from flowsift.ingest.options import checked_zone
from flowsift.labels import LABELS
from flowsift.readers.unit_names import PULSES, unit_option
from flowsift.signal.blocks import Blocks
from flowsift.signal.familiar import Familiar
from flowsift.stream.home import Known, LearnedHome, Past, RecordedTrickle
from flowsift.stream.strict_json import Fields, read_fields, written
from flowsift.study.alerts import AlertRule
from flowsift.units import litres_per

KIND = "flowsift learned home"
VERSION = 5


def home_to_json(home: LearnedHome) -> str:
    r"""Return a home as one line of strict JSON.

    Parameters
    ----------
    home : LearnedHome

    Returns
    -------
    str
        `home_from_json` reads it back without loss.

    Examples
    --------
    >>> from flowsift.households import read_shipped
    >>> from flowsift.stream import home_to_json, learn_home
    >>> home = learn_home(read_shipped("demo").trace)
    >>> home_to_json(home).count("\n")
    0
    """
    return written(
        {
            "kind": KIND,
            "version": VERSION,
            "labels": list(LABELS),
            "start_ns": home.start_ns,
            "end_ns": home.end_ns,
            "interval_ns": home.interval_ns,
            "pulse_l": home.pulse_l,
            "timezone": home.timezone,
            "unit": home.unit,
            "row_unit": home.row_unit,
            "without": list(home.without),
            "random_state": home.random_state,
            "familiar": {"volume_l": list(home.familiar.volume_l), "flow_lpm": list(home.familiar.flow_lpm)},
            "pieces": _known(home.pieces),
            "uses": _known(home.uses),
            "label": home.label.tolist(),
            "mode": home.mode.tolist(),
            "trickle": [vars(t) for t in home.trickle],
            "blocks": {name: values.tolist() for name, values in vars(home.blocks).items()},
            "rules": [vars(rule) for rule in home.rules],
        }
    )


def home_from_json(text: str) -> LearnedHome:
    """Return the home that `home_to_json` wrote.

    Parameters
    ----------
    text : str
        One line of JSON.

    Returns
    -------
    LearnedHome

    Raises
    ------
    InputError
        If the text is no such home, or of another version; it names the field.

    Examples
    --------
    >>> from flowsift.households import read_shipped
    >>> from flowsift.stream import home_from_json, home_to_json, learn_home
    >>> home = learn_home(read_shipped("demo").trace)
    >>> home_from_json(home_to_json(home)).pulse_l
    0.05
    """
    found = read_fields(text, kind=KIND, version=VERSION)
    if found.value("labels") != list(LABELS):
        raise InputError(f"{KIND}: it was learned with other labels than this version's; learn it anew")
    familiar = found.part("familiar")
    pieces, uses = _read_known(found.part("pieces")), _read_known(found.part("uses"))
    n_past, n_modes = uses.past.start_s.size, len(uses.model.modes.center)
    label, mode = found.integers("label", n_past), found.integers("mode", n_past)
    if n_past and not (label.min() >= 0 and label.max() < len(LABELS) and mode.min() >= -1 and mode.max() < n_modes):
        raise InputError(f"{KIND}: label or mode numbers out of range")
    volumes, flows = familiar.floats("volume_l"), familiar.floats("flow_lpm", familiar.floats("volume_l").size)
    if (volumes <= 0).any() or (flows <= 0).any():
        raise InputError(f"{KIND}.familiar: expected volumes and flows above 0")
    return LearnedHome(
        start_ns=found.integer("start_ns"),
        end_ns=found.integer("end_ns"),
        interval_ns=found.integer("interval_ns", least=1),
        pulse_l=found.number("pulse_l", least=0.0),
        timezone=checked_zone(found.text("timezone")),
        unit=_unit(found.text("unit")),
        row_unit=_row_unit(found.text("row_unit")) if found.has("row_unit") else None,
        without=tuple(HomeFacts(without=found.texts("without", among=LABELS)).without),
        random_state=found.integer("random_state"),
        familiar=Familiar(volume_l=tuple(volumes.tolist()), flow_lpm=tuple(flows.tolist())),
        pieces=pieces,
        uses=uses,
        label=label,
        mode=mode,
        trickle=tuple(_read_trickle(part) for part in found.parts("trickle")),
        blocks=_read_blocks(found.part("blocks")),
        rules=tuple(_read_rule(part) for part in found.parts("rules")),
    )


def _unit(name: str) -> str:
    litres_per(name)
    return name


def _row_unit(name: str) -> str:
    if name != PULSES:
        unit_option(name)
    return name


def _known(known: Known) -> dict[str, Any]:
    model, past = known.model, known.past
    return {
        "modes": {name: values.tolist() for name, values in vars(model.modes).items()},
        "mode_label": model.mode_probability.tolist(),
        "mode_amount": model.mode_amount.tolist(),
        "amount": model.amount.tolist(),
        "profile": {name: values.tolist() for name, values in vars(model.profile).items()},
        "spread": {name: values.tolist() for name, values in vars(model.spread).items()},
        "past": {
            "days": past.days,
            "start_s": past.start_s.tolist(),
            "duration_s": past.duration_s.tolist(),
            "volume_l": past.volume_l.tolist(),
            "flow_lpm": past.flow_lpm.tolist(),
        },
    }


def _read_known(found: Fields) -> Known:
    n_labels = len(LABELS)
    modes, spread, past = found.part("modes"), found.part("spread"), found.part("past")
    center = modes.floats("center", -1, 2)
    n = len(center)
    start_s = past.floats("start_s")
    columns = {
        name: past.floats(name, start_s.size).astype(np.float32) for name in ("duration_s", "volume_l", "flow_lpm")
    }
    if any((column <= 0).any() for column in columns.values()) or (np.diff(start_s) < 0).any():
        raise InputError(f"{KIND}: past uses have to be in order, and their figures above 0")
    amount, mode_amount = found.floats("amount", n_labels), found.floats("mode_amount", n)
    if (amount <= 0).any() or (mode_amount <= 0).any():
        raise InputError(f"{KIND}: expected amounts above 0")
    return Known(
        model=HomeModel(
            probability=np.empty((0, n_labels)),
            mode=np.empty(0, np.int64),
            modes=Modes(center=center, excess=modes.floats("excess", n), purity=modes.floats("purity", n)),
            mode_probability=found.floats("mode_label", n, n_labels),
            spread=Prior(
                mean=spread.floats("mean", n_labels, 2),
                precision=spread.floats("precision", n_labels, 2, 2),
                log_norm=spread.floats("log_norm", n_labels),
                uses_per_day=spread.floats("uses_per_day", n_labels),
            ),
            amount=amount,
            mode_amount=mode_amount,
            profile=_read_profile(found.part("profile")),
        ),
        past=Past(start_s=start_s, days=past.number("days", above=0.0), **columns),
    )


def _read_profile(found: Fields) -> HomeProfile:
    bins = found.integers("bin")
    if bins.size and (bins[0] < 0 or bins[-1] >= FLOW.size * VOLUME.size or (np.diff(bins) <= 0).any()):
        raise InputError(f"{KIND}: expected the bins of a home's profile in order")
    return HomeProfile(
        bin=bins,
        count=found.floats("count", bins.size, len(LABELS)),
        by_clock=found.floats("by_clock", N_BINS, len(LABELS)),
    )


def _read_trickle(found: Fields) -> RecordedTrickle:
    return RecordedTrickle(
        start_ns=found.integer("start_ns"),
        end_ns=found.integer("end_ns"),
        rate_lpm=found.number("rate_lpm", above=0.0),
        low_lpm=found.number("low_lpm", least=0.0),
        high_lpm=found.number("high_lpm", least=0.0),
    )


def _read_blocks(found: Fields) -> Blocks:
    volume = found.floats("volume_l")
    return Blocks(
        volume_l=volume, pause_s=found.floats("pause_s", volume.size), known=found.floats("known", volume.size)
    )


def _read_rule(found: Fields) -> AlertRule:
    return AlertRule(
        kind="constant flow"
        if found.text("kind", among=("constant flow", "high flow")) == "constant flow"
        else "high flow",
        level_lpm=found.number("level_lpm", above=0.0),
        lasting_s=found.number("lasting_s", above=0.0),
        block_s=found.number("block_s", above=0.0),
    )
