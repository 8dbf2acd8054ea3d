"""The load study as a JSON document, for programs: the same values as on the page, in A, W, VA and Wh."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import numpy as np
from msgspec import Struct
from msgspec.structs import asdict

from pqcheck.loads.answer import answer_of
from pqcheck.loads.declared import NewLoad
from pqcheck.loads.study import LoadStudy
from pqcheck.loads.study_values import Demand, Maximum, Peak
from pqcheck.model.clock import iso
from pqcheck.version import __version__

FORMAT = "pqcheck-load-study/1"


def as_document(study: LoadStudy) -> dict[str, Any]:
    """The study as plain JSON types; its findings are in the findings file."""
    growth = study.growth
    return {
        "format": FORMAT,
        "produced_by": {"name": "pqcheck", "version": __version__},
        "site": study.site_name,
        "answer": None if (answer := answer_of(study)) is None else {**_plain(answer), "verdict": answer.verdict.value},
        "demand": _demand(study.demand, study.zone),
        "demand_with_new_load": None if study.demand_then is None else _demand(study.demand_then, study.zone),
        "capacity": [_timed(_plain(capacity), study.zone) for capacity in study.capacity],
        "new_loads": [_load(load) for load in study.loads],
        "source": None if study.source is None else study.source.basis,
        "resonance_order": None if study.source is None else study.source.resonance,
        "criteria": [_plain(row) for row in study.rows],
        "resonances": [_plain(row) for row in study.resonances],
        "transformer_choice": None if study.transformer is None else _plain(study.transformer),
        "band": [_plain(row) for row in study.band],
        "variants": [_plain(row) for row in study.variants],
        "rooms": [_plain(room) for room in study.rooms],
        "demand_growth": None if growth is None else _plain(growth),
        "transformer": [_plain(loading) for loading in study.loadings],
        "spectrum": None if study.spectrum is None else _plain(study.spectrum),
        "motors": [_timed(_plain(motor), study.zone) for motor in study.motors],
        "starts": [_plain(start) for start in study.starts],
        "new_neutral_current_A": study.new_neutral,
        "cost": [{"what": what, "amount": value, "currency": currency} for what, value, currency in study.costs],
        "remarks": list(study.remarks),
        "cautions": list(study.cautions),
    }


def as_json(study: LoadStudy) -> str:
    """The document as text: keys sorted, UTF-8, same bytes for same input."""
    text = json.dumps(as_document(study), sort_keys=True, ensure_ascii=False, indent=1, allow_nan=False)
    return f"{text}\n"


def _plain(value: Any) -> Any:
    if isinstance(value, Struct):
        return {key: _plain(item) for key, item in asdict(value).items()}
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, np.floating):
        value = float(value)
    if isinstance(value, float):
        return None if not np.isfinite(value) else float(f"{value:.9g}")
    return value


def _timed(entry: dict[str, Any], zone: str) -> dict[str, Any]:
    """Instants as ISO stamps in the site's zone."""
    return {
        (key.removesuffix("_us") if key.endswith("_at_us") else key): (
            iso(value, zone) if key.endswith("_at_us") and value else None if key.endswith("_at_us") else value
        )
        for key, value in entry.items()
    }


def _peak(peak: Peak | None, zone: str) -> dict[str, Any] | None:
    if peak is None:
        return None
    return {"value": _plain(peak.value), "start": iso(peak.start_us, zone), "end": iso(peak.end_us, zone)}


def _maximum(maximum: Maximum, zone: str) -> dict[str, Any]:
    return {
        "quantity": maximum.quantity,
        "phase": maximum.phase,
        "unit": maximum.unit,
        "interval_s": maximum.interval_s,
        "block": _peak(maximum.block, zone),
        "sliding": _peak(maximum.sliding, zone),
        "bounds": _plain(maximum.bounds),
    }


def _demand(demand: Demand, zone: str) -> dict[str, Any]:
    return {
        "interval_s": demand.interval_s,
        "maxima": [_maximum(maximum, zone) for maximum in demand.maxima],
        "earliest_currents": _plain(dict(demand.earliest)),
        "load_factor": _plain(demand.load_factor),
        "load_factor_of": demand.load_factor_of,
        "energy": _plain(demand.energy),
        "power_factor": _plain(demand.power_factor),
        "duration_curve": {"of": demand.curve_of, "unit": demand.curve_unit, "points": _plain(demand.curve)},
        "profile": [_plain(hour) for hour in demand.profile],
        "current_unbalance": None if demand.unbalance is None else _timed(_plain(demand.unbalance), zone),
        "longest_run_s": demand.longest_run_s,
        "recorded_s": demand.recorded_s,
        "expected_s": demand.expected_s,
        "basis": list(demand.basis),
    }


def _load(load: NewLoad) -> dict[str, Any]:
    return {
        "name": load.name,
        "phases": list(load.phases),
        "apparent_power_VA": _plain(load.rms_va),
        "fundamental_apparent_power_VA": _plain(load.apparent_va),
        "active_power_W": _plain(load.active_w),
        "reactive_power_var": _plain(load.reactive_var),
        "distortion_percent": _plain(load.spectrum.thd),
        "spectrum_percent": {str(order): _plain(value) for order, value in load.spectrum.percent.items()},
        "spectrum_source": load.spectrum.source,
    }
