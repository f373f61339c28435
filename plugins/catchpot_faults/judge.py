"""Goes through a mould's shots in time order: each is judged by the healthy ones before it, then joins them or not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from catchpot.stats.shape import nan_median, robust_band
from catchpot_faults import whole as whole_curve
from catchpot_faults.book import book_arrival_l, book_curve
from catchpot_faults.compare import EARLY, LATE, Course, course, level
from catchpot_faults.curves import GRID, Shots
from catchpot_faults.found import Found
from catchpot_faults.name import Seen, name_all
from catchpot_faults.takes import past_share, takes
from catchpot_faults.usual import (
    BATCH_SD,
    BATCH_SD_KNOWN,
    LEAST_SHOTS,
    MOST_SHOTS,
    PACK_SD,
    SERVICE_SD,
    Usual,
    usual_of,
)
from catchpot_faults.within import Ratio, catalyst_ratio, cavity_rise, end_growth, gap_rise

Floats = NDArray[np.float64]

KEEPS_LEARNING = ("ratio_off", "catalyst_starved", "overfill", "stopped_before_vent", "clamp_margin_low")
"""Findings that say nothing against the shot's curve."""
BY_COMPARISON = ("race_tracking", "unusual_shape", "flow_restriction", "permeability_drift")
RELEARN_AFTER = 4
"""So many shots in a row that are odd only by comparison are a mould that has changed: they become its usual ones."""
REFIT_EVERY = 5
LOOK_BACK_AT = (LEAST_SHOTS, LEAST_SHOTS + 4, 2 * LEAST_SHOTS)
"""With so many shots the first ones, which only physics could judge, are looked at again before they teach more."""
EVENT_SD = {
    "fabric_batch": PACK_SD, "resin_batch": BATCH_SD, "mould_serviced": SERVICE_SD, "mould_cleaned": SERVICE_SD,
    "gel_coat_changed": SERVICE_SD, "core_changed": SERVICE_SD, "hose_changed": SERVICE_SD, "vent_changed": SERVICE_SD,
    "seal_replaced": SERVICE_SD, "seal_reseated": SERVICE_SD, "sensor_calibrated": SERVICE_SD,
    "meter_calibrated": SERVICE_SD, "pump_serviced": SERVICE_SD,
}  # fmt: skip


@dataclass
class Judged:
    """What was found of a mould, shot by shot. evidence: numbers by name, one a shot. usuals, odd: of flagged shots."""

    findings: list[list[Found]]
    evidence: dict[str, Floats]
    usuals: dict[int, Usual] = field(default_factory=dict)
    odd: dict[int, whole_curve.Odd] = field(default_factory=dict)


def level_changes(shots: Shots, events: Sequence[tuple[datetime, str]]) -> Floats:
    """S.d. of what may have moved the resistance's level between each shot and the one before it (shots,)."""
    out = np.zeros(len(shots))
    for i in range(1, len(shots)):
        moved = 0.0
        for text, sd in (("resin_batch", BATCH_SD), ("fabric_batch", PACK_SD)):
            now, before = shots.text[text][i], shots.text[text][i - 1]
            if now is not None and before is not None and now != before:
                known = text == "resin_batch" and np.isfinite(shots.number["book.batch_viscosity_pa_s"][i])
                moved = float(np.hypot(moved, BATCH_SD_KNOWN if known else sd))
        a, b = shots.started_at[i - 1], shots.started_at[i]
        if a is not None and b is not None:
            kinds = {kind for when, kind in events if a < when <= b}
            if "resin_batch" in kinds and shots.text["resin_batch"][i] is not None:
                kinds.discard("resin_batch")  # the log itself says which shots it holds for
            if "fabric_batch" in kinds and shots.text["fabric_batch"][i] is not None:
                kinds.discard("fabric_batch")
            moved = float(np.sqrt(moved**2 + sum(EVENT_SD.get(k, 0.0) ** 2 for k in kinds)))
        out[i] = moved
    return out


def judge(shots: Shots, events: Sequence[tuple[datetime, str]] = ()) -> Judged:
    """All shots of a mould. Causal: what is said of a shot rests on it and on the shots before it."""
    n = len(shots)
    kept = _kept(shots)
    ratio = _ratio(shots)
    moved = level_changes(shots, events)
    result = Judged([[] for _ in range(n)], {k: np.full(n, np.nan) for k in _EVIDENCE})
    healthy: list[int] = []
    lately: list[tuple[int, bool]] = []
    model: whole_curve.Whole | None = None
    made_at = -1
    levels = np.full(n, np.nan)
    for i in range(n):
        refs = np.array(healthy, dtype=np.intp)
        last_change = int(np.flatnonzero(moved[: i + 1] > 0)[-1]) if (moved[: i + 1] > 0).any() else None
        fresh = int((refs >= last_change).sum()) if last_change is not None else None
        if fresh is not None and fresh >= 12:
            fresh = None
        usual = usual_of(shots, refs, (fresh, float(moved[last_change]) if last_change is not None else 0.0), kept)
        seen = _seen(shots, i, usual, kept, ratio, fresh)
        found = name_all(seen)
        row = whole_curve.features(shots, usual.share_l, np.array([i], dtype=np.intp)) if usual.shots else None
        levels[i] = seen.level
        if usual.shots >= whole_curve.LEAST_SHOTS and (model is None or len(healthy) // REFIT_EVERY != made_at):
            learned = refs[-MOST_SHOTS:]
            model = whole_curve.learn(
                whole_curve.features(shots, usual.share_l, learned), levels[learned],
                whole_curve.driving_cells(shots, usual.share_l, learned),
            )  # fmt: skip
            made_at = len(healthy) // REFIT_EVERY
        odd = None
        if model is not None and row is not None and not seen.spoiled:
            odd = whole_curve.hold_against(row[0], seen.level, model)
            if odd is not None and odd.beyond(model) and not any(f.kind not in KEEPS_LEARNING for f in found):
                # An arrival read from a curve nobody can name proves no overfill.
                found = [f for f in found if f.kind != "overfill"]
                found.append(_unusual(seen, odd, model))
        kept["overfilled"][i] = any(f.kind == "overfill" for f in found)
        result.findings[i] = found
        _record(result, i, seen, odd, model)
        if found or (odd is not None and model is not None and odd.beyond(model)):
            result.usuals[i] = usual
            if odd is not None:
                result.odd[i] = odd
        against = [f.kind for f in found if f.kind not in KEEPS_LEARNING]
        if against == ["unusual_shape"] and odd is not None and model is not None and not odd.beyond(model, 2.0):
            against = []  # just beyond its limits: said, but a mould that slowly changes takes its limits along
        if not against:
            healthy.append(i)
            lately = []
            if len(healthy) in LOOK_BACK_AT:
                healthy = _without_odd(shots, healthy, usual.share_l)
        else:
            lately.append((i, all(k in BY_COMPARISON for k in against)))
            tail = lately[-RELEARN_AFTER:]
            if len(tail) == RELEARN_AFTER and all(by for _, by in tail) and usual.shots >= LEAST_SHOTS:
                healthy, model, lately = [k for k, _ in tail], None, []
    return result


def _without_odd(shots: Shots, healthy: list[int], share_l: float) -> list[int]:
    """The shots whose level and lean lie with the others'; causal, since it changes nothing that was said of them."""
    rows = np.array(healthy, dtype=np.intp)
    curves = shots.on_share(shots.resistance, share_l, rows)
    ratio = curves / robust_band(curves).centre
    early, late = level(ratio, *EARLY), level(ratio, *LATE)
    odd = np.zeros(len(rows), bool)
    for values, floor in ((early, 0.06), (late, 0.06), (late - early, 0.03)):
        if np.isfinite(values).sum() >= LEAST_SHOTS:
            about = values - nan_median(values)
            odd |= np.abs(about) > 4 * max(1.4826 * float(nan_median(np.abs(about))), floor)
    return [h for h, o in zip(healthy, odd, strict=True) if not o] if odd.sum() <= len(rows) // 3 else healthy


_EVIDENCE = (
    "usual_shots", "usual_arrival_l", "resistance_pct", "resistance_scatter_pct", "arrival_pct", "arrival_scatter_pct",
    "step_pct", "growth_s", "cavity_rise_mbar", "t2", "t2_limit", "squared_residual", "squared_residual_limit",
    "false_alarm_pct", "false_alarm_low_pct", "false_alarm_high_pct",
)  # fmt: skip


def _kept(shots: Shots) -> dict[str, Floats]:
    n = len(shots)
    start = nan_median(shots.curve["clamp_pressure_mbar"][:, :20])
    ambient = shots.number["ambient_logged_mbar"]
    rest = shots.number["cavity_rest_mbar"]
    return {
        "left": np.full(n, np.nan),
        "over": np.full(n, np.nan),
        "overfilled": np.zeros(n),
        "step_gain": np.full(n, np.nan),
        "clamp_start_mbar": start,
        "cavity_rest_off_mbar": rest - np.where(np.isfinite(ambient), ambient, 1013.25),
        "gap_rise_mm": gap_rise(shots.curve["flange_gap_mm"]),
        # Strokes make steps of the volume: what the last one took is not known.
        "end_growth": np.where(
            np.isfinite(shots.number["stroke_volume_ml"]), np.nan, end_growth(shots.curve["vol_l"], shots.resistance)
        ),
    }


def _ratio(shots: Shots) -> Ratio:
    """Catalyst against the book; by mass it is put into volumes with the book's densities."""
    b = shots.number
    by_volume, by_mass = b["book.catalyst_ratio_pct_by_volume"], b["book.catalyst_ratio_pct_by_mass"]
    to_volume = b["book.density_kg_m3"] / b["book.catalyst_density_kg_m3"]
    setting = np.where(np.isfinite(by_volume), by_volume, by_mass * to_volume)
    tolerance = b["book.catalyst_ratio_tolerance_pct"]
    tolerance = np.where(np.isfinite(by_volume), tolerance, tolerance * to_volume)
    tolerance = np.where(np.isfinite(tolerance), tolerance, 0.1 * setting)
    b["ratio.setting"], b["ratio.tolerance"] = setting, tolerance
    b["ratio.to_mass"] = np.where(np.isfinite(by_volume), np.nan, 1 / to_volume)
    # A fifth of room more, for the meters' own scatter; but never so much that what must be found (15 %) is not.
    room = np.minimum(1.2 * tolerance, np.maximum(tolerance, 0.125 * setting))
    return catalyst_ratio(shots.curve["t_s"], shots.curve["vol_l"], shots.curve["catalyst_flow_ml_min"], setting, room)


def _seen(shots: Shots, i: int, usual: Usual, kept: dict[str, Floats], ratio: Ratio, fresh: int | None) -> Seen:
    rows = np.array([i], dtype=np.intp)
    share_l = usual.share_l
    if not np.isfinite(share_l):
        book = book_arrival_l(shots, i)
        own = float(shots.number["arrival_volume_l"][i])
        share_l = book if np.isfinite(book) else own if np.isfinite(own) else float(shots.number["curve_volume_l"][i])
    resistance = shots.on_share(shots.resistance, share_l, rows)[0]
    time = shots.on_share(shots.curve["t_s"], share_l, rows)[0]
    reference = usual.resistance if usual.shots >= LEAST_SHOTS else book_curve(shots, i, share_l)
    along: Course | None = None
    if np.isfinite(reference).sum() > 40:
        along = course(resistance, reference, time)
    if along is not None:
        kept["left"][i], kept["step_gain"][i] = along.left, along.step_gain
    cavity: Floats = shots.on_share(shots.curve["cavity_pressure_mbar"], share_l, rows)[0]
    arrival = float(shots.number["arrival_volume_l"][i])
    until = min(1.0, arrival / share_l) if np.isfinite(arrival) else 1.0
    before_arrival = np.where(until >= GRID, cavity, np.nan)
    rise = cavity_rise(GRID, time, before_arrival, usual.cavity, _ambient(shots, i))
    known = np.isfinite(resistance) & (resistance > 0) & (GRID > 0.15) & (GRID < 0.97)
    level = float(np.median(np.log(resistance[known]))) if known.sum() > 20 else float("nan")
    number = {k: float(v[i]) for k, v in shots.number.items()}
    number |= {k: float(v[i]) for k, v in kept.items()}
    new_batch = fresh is not None and fresh < 3
    book_l = book_arrival_l(shots, i)
    seen = Seen(
        i, number, shots.text["still_channel"][i], usual, along, rise, level, share_l, book_l, new_batch,
        {name: float(getattr(ratio, name)[i]) for name in ratio.__dataclass_fields__}, float(shots.viscosity[i]),
    )  # fmt: skip
    seen.takes = takes(seen)
    if seen.takes is not None and usual.shots >= LEAST_SHOTS:
        kept["over"][i] = past_share(seen, seen.takes)
    return seen


def _ambient(shots: Shots, i: int) -> float:
    for name in ("ambient_logged_mbar", "ambient_pressure_mbar"):
        if np.isfinite(shots.number[name][i]):
            return float(shots.number[name][i])
    return 1013.25


def _unusual(seen: Seen, odd: whole_curve.Odd, model: whole_curve.Whole) -> Found:
    from catchpot_faults import words_curve as words

    begin, end = (float(whole_curve.EDGES[k]) * seen.share_l for k in odd.stretch)
    names = ("resistance", "flow", "driving pressure", "cavity pressure")
    late = seen.usual.late
    off = late.off(seen.course.late) if seen.course is not None else 0.0
    all_along = ""
    if seen.course is not None and abs(off) > 3:
        side = "above" if off > 0 else "below"
        percent = 100 * abs(np.expm1(seen.course.late - late.value))
        all_along = f" Its resistance also lay {percent:.0f} % {side} what was expected of it."
    return words.unusual_shape(
        odd.t2, model.t2_limit, odd.q, model.q_limit, model.shots, 100 * model.alarm[0], 100 * model.alarm[2],
        names[odd.channel], begin, end, seen.share_l, all_along,
    )  # fmt: skip


def _record(result: Judged, i: int, seen: Seen, odd: whole_curve.Odd | None, model: whole_curve.Whole | None) -> None:
    e, c, u = result.evidence, seen.course, seen.usual
    e["usual_shots"][i] = u.shots
    e["usual_arrival_l"][i] = u.arrival_l
    if c is not None and u.shots >= LEAST_SHOTS:
        e["resistance_pct"][i] = 100 * np.expm1(c.late - u.late.value)
        e["resistance_scatter_pct"][i] = 100 * u.late.sd if np.isfinite(u.late.sd) else np.nan
        e["step_pct"][i] = 100 * max(c.jump, 0.0) if np.isfinite(c.jump) else np.nan
        e["growth_s"][i] = c.growth_s if np.isfinite(c.growth_s) else np.nan
    if np.isfinite(u.arrival_l) and np.isfinite(seen.number["arrival_volume_l"]):
        e["arrival_pct"][i] = 100 * (seen.number["arrival_volume_l"] / u.arrival_l - 1)
        e["arrival_scatter_pct"][i] = 100 * u.arrival.sd if np.isfinite(u.arrival.sd) else np.nan
    e["cavity_rise_mbar"][i] = seen.rise.mbar
    if odd is not None and model is not None:
        e["t2"][i], e["t2_limit"][i] = odd.t2, model.t2_limit
        e["squared_residual"][i], e["squared_residual_limit"][i] = odd.q, model.q_limit
        for name, value in zip(("", "low_", "high_"), model.alarm, strict=True):
            e[f"false_alarm_{name}pct"][i] = 100 * value


__all__ = ["Judged", "judge", "level_changes"]
