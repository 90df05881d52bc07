"""The tables of a result folder, one pandas frame a CSV file, units in the column names."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from wallsim.report.compared import hand_method, pairs, ranking
from wallsim.report.document import Array, Band, Document, array, band
from wallsim.report.growth_laws import growth_laws, law_text
from wallsim.report.other_intervals import other_intervals
from wallsim.report.quick_looks import quick_fluxes, quick_resistances
from wallsim.report.words import PER_MM2, dominance_text
from wallsim.rounding import number

_ENDS = ("estimate", "low", "high")


def tables(document: Document) -> dict[str, pd.DataFrame]:
    """Return every table by the stem of its file name."""
    return {
        "along_tube": along_tube(document),
        "along_runs": along_runs(document),
        "blends": blends(document),
        "resistance_in_time": resistance_in_time(document),
        "growth_laws": growth_laws(document),
        "runs": runs(document),
        "channels": channels(document),
        "parameters": parameters(document),
        "comparisons": pairs(document),
        "ranking": ranking(document),
        "hand_method": hand_method(document),
        "other_intervals": other_intervals(document),
        "quick_looks": quick_resistances(document),
        "quick_look_fluxes": quick_fluxes(document),
    }


def _columns(name: str, unit: str, b: Band) -> dict[str, Array]:
    values = (b.estimate, b.low, b.high)
    return {f"{name} {end} [{unit}]": v for end, v in zip(_ENDS, values, strict=True)}


def _cells(name: str, unit: str, interval: Any, scale: float = 1.0) -> dict[str, float]:
    columns = _columns(name, unit, band(interval).scaled(scale))
    return {key: float(value) for key, value in columns.items()}


def along_tube(document: Document) -> pd.DataFrame:
    """Return gas-side coefficient, deposit resistance and thickness along the tube.

    The rows are those of the gas side; a deposit given on other stations is interpolated.
    """
    gas = document["gas_side"]
    z = array(gas["z_m"])
    columns: dict[str, Array] = {"z [mm]": 1e3 * z}
    p = array(gas.get("local_pressure_Pa"))
    columns["static pressure [bar abs]"] = 1e-5 * p if p.size else np.full(z.size, np.nan)
    columns |= _columns("h", "W/m^2/K", band(gas["coefficient_W_m2K"], z.size))
    for name, blend in document["blends"].items():
        deposit = blend.get("deposit")
        if deposit is None:
            continue
        own_z = array(deposit.get("z_m"))
        own_z = own_z if own_z.size else z
        R = band(deposit.get("resistance_m2K_W"), own_z.size).resampled(own_z, z)
        thickness = band(deposit.get("thickness_m"), own_z.size).resampled(own_z, z)
        columns |= _columns(f"{name} R", "mm^2*K/W", R.scaled(PER_MM2))
        columns |= _columns(f"{name} thickness", "um", thickness.scaled(1e6))
    return pd.DataFrame(columns)


def along_runs(document: Document) -> pd.DataFrame:
    """Return heat flux and bore temperature along the tube at shutdown, run under run."""
    frames = []
    for name, run in document["runs"].items():
        z = array(run.get("z_m"))
        p = array(run.get("local_pressure_Pa"))
        frame = pd.DataFrame({"run": [name] * z.size, "z [mm]": 1e3 * z})
        frame["static pressure [bar abs]"] = 1e-5 * p if p.size else np.nan
        q = band(run.get("heat_flux_W_m2"), z.size).scaled(1e-6)
        T = band(run.get("bore_temperature_K"), z.size)
        for key, values in (_columns("q", "MW/m^2", q) | _columns("bore", "K", T)).items():
            frame[key] = values
        frames.append(frame)
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def blends(document: Document) -> pd.DataFrame:
    """Return one row a blend: gas temperature, deposit, what limits it."""
    rows = []
    for name, blend in document["blends"].items():
        deposit = blend.get("deposit") or {}
        silicon = number(blend.get("silicon"))
        row: dict[str, Any] = {"blend": name, "silicon [mass %]": 100.0 * silicon}
        row["water [mass %]"] = 100.0 * number(blend.get("water"))
        row |= _cells("gas temperature", "K", blend.get("gas_temperature_K"))
        row |= _cells("own factor on h", "-", blend.get("coefficient_factor"))
        row["deposit identifiable"] = deposit.get("identifiable", "")
        row["upper limit only"] = deposit.get("upper_limit_only", "")
        row["growth law"] = law_text(deposit) if deposit else "none"
        row["at [s]"] = number(deposit.get("at_s"))
        row |= _cells("mean R", "mm^2*K/W", deposit.get("mean_resistance_m2K_W"), PER_MM2)
        row |= _cells("mean 1/h + R", "mm^2*K/W",
                      deposit.get("mean_combined_resistance_m2K_W"), PER_MM2)
        row |= _cells("heat kept out", "%", deposit.get("heat_load_removed"), 100.0)
        row |= _cells("mean thickness", "um", deposit.get("mean_thickness_m"), 1e6)
        items = deposit.get("dominated_by") or []
        row["dominated by"] = "; ".join(dominance_text(item) for item in items)
        row["reason"] = deposit.get("reason") or ""
        rows.append(row)
    return pd.DataFrame(rows)


def resistance_in_time(document: Document) -> pd.DataFrame:
    """Return the mean resistance since ignition: of blends, then of firings on a bore not clean."""
    every = [(name, "", blend) for name, blend in document["blends"].items()]
    every += [(run.get("blend"), name, run) for name, run in document["runs"].items()]
    frames = []
    for blend, run, entry in every:
        history = (entry.get("deposit") or {}).get("in_time") or {}
        t = array(history.get("time_s"))
        R = band(history.get("mean_resistance_m2K_W"), t.size).scaled(PER_MM2)
        if t.size:
            columns = _columns("mean R", "mm^2*K/W", R)
            frames.append(pd.DataFrame(
                {"blend": blend, "run": run, "since ignition [s]": t} | columns))
    if frames:
        return pd.concat(frames, ignore_index=True)
    nothing = Band(*(np.empty(0),) * 3)
    empty: dict[str, Any] = {"blend": [], "run": [], "since ignition [s]": []} | _columns(
        "mean R", "mm^2*K/W", nothing
    )
    return pd.DataFrame(empty)


def runs(document: Document) -> pd.DataFrame:
    """Return one row a run: events, heating factor, hottest bore."""
    rows = []
    for name, run in document["runs"].items():
        row: dict[str, Any] = {
            "run": name,
            "blend": run.get("blend"),
            "ignition [s]": number(run.get("ignition_s")),
            "shutdown [s]": number(run.get("shutdown_s")),
            "burn [s]": number(run.get("burn_s")),
            "plateau pressure [bar abs]": 1e-5 * number(run.get("plateau_pressure_Pa")),
        }
        row |= _cells("heating factor", "-", run.get("heating_factor"))
        row |= _cells("bore peak", "K", run.get("bore_peak_K"))
        row["bore peak at z [mm]"] = 1e3 * number(run.get("bore_peak_z_m"))
        row |= _cells("time to limit", "s", run.get("time_to_limit_s"))
        if any(r.get("deposit") for r in document["runs"].values()):
            row |= _carried_over(run.get("deposit") or {})
        row["log notes"] = "; ".join(run.get("log_notes") or [])
        rows.append(row)
    return pd.DataFrame(rows)


def _carried_over(deposit: Document) -> dict[str, Any]:
    """Return the cells of a run on a bore that was not clean, or in which deposit came off."""
    shed = deposit.get("shedding") or {}
    row: dict[str, Any] = {"deposit left by": deposit.get("left_by") or ""}
    row |= _cells("retained", "-", deposit.get("retained_fraction"))
    row |= _cells("deposit came off at", "s", shed.get("time_s"))
    row |= _cells("lost", "-", shed.get("lost_fraction"))
    for moment in ("before", "after"):
        R = shed.get(f"mean_resistance_{moment}_m2K_W")
        row |= _cells(f"mean R {moment}", "mm^2*K/W", R, PER_MM2)
    return row


def channels(document: Document) -> pd.DataFrame:
    """Return one row a channel of a run: what it was used for, how well it is fitted."""
    rows = []
    for name, run in document["runs"].items():
        for sensor, channel in (run.get("channels") or {}).items():
            white = channel.get("whitened") or {}
            rows.append(
                {
                    "run": name,
                    "sensor": sensor,
                    "z [mm]": 1e3 * number(channel.get("z_m")),
                    "verdict": channel.get("verdict"),
                    "used from [s]": number(channel.get("used_from_s")),
                    "used until [s]": number(channel.get("used_until_s")),
                    "samples": channel.get("samples"),
                    "rms residual [K]": number(channel.get("rms_K")),
                    "lag-1 correlation [-]": number(channel.get("lag1")),
                    "whitened lag-1 [-]": number(white.get("lag1")),
                    "whitened runs": number(white.get("runs")),
                    "runs expected": number(white.get("runs_expected")),
                    "chance of such runs in any trace [-]": number(white.get("p_adjusted")),
                    "intervals too narrow by [-]": number(white.get("interval_factor")),
                    "discretisation error [K]": number(channel.get("discretisation_error_K")),
                    "reason": channel.get("reason") or "",
                }
            )
    return pd.DataFrame(rows)


def parameters(document: Document) -> pd.DataFrame:
    """Return one row a parameter of the fit, SI units, beside what was known before."""
    keys = ("name", "unit", "estimate", "sd", "prior_mean", "prior_sd", "at_bound")
    names = ("parameter", "unit", "estimate", "sd", "prior mean", "prior sd", "at bound")
    rows = [[p.get(key) for key in keys] for p in document.get("parameters") or []]
    return pd.DataFrame(rows, columns=list(names))
