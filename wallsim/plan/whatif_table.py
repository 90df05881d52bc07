"""The table of a what-if."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd


def table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Return one row a firing, units in the column names."""
    out = []
    for row in rows:
        line: dict[str, Any] = {
            "firing": row["label"], "name": row["name"] or "",
            "blend": row["blend"], "metal": row["metal"],
            "wall [mm]": 1e3 * row["wall_m"], "bore [mm]": 1e3 * row["bore_m"],
            "burn [s]": row["burn_s"], "pressure [bar abs]": 1e-5 * row["pressure_Pa"],
            "firings": row["firings"], "lasts its burn": row["lasts"],
        }
        for key in ("resistance", "start", "pause", "cooling"):
            line[_COLUMNS[key]] = row["changes"].get(key, np.nan)
        for key, name in (("bore_peak_K", "bore peak"), ("outside_peak_K", "outside peak"),
                          ("deposit_surface_peak_K", "deposit surface peak")):
            line |= _cells(name, "K", row[key])
        line["bore peak at [s]"], line["outside peak at [s]"] = (
            row["bore_peak_s"], row["outside_peak_s"])
        for name, limit in row["limits"].items():
            line |= _cells(f"time to {name}", "s", limit["time_s"])
        line |= _cells("limit load over pressure", "-", row["survival"]["margin"])
        line |= _cells("time below the factor", "s", row["survival"]["below_factor_s"])
        if (found := row["measurable"]) is not None:
            line |= _cells("mean R as a firing would tell it", "m^2*K/W",
                           found["mean_resistance_m2K_W"])
            line["deposit measurable"] = word(found)
        line["survival note"] = row["survival"]["note"]
        line["prior only"] = ", ".join(row["prior_only"])
        line["draws beyond the table [%]"] = 100.0 * row["beyond_the_table"]
        out.append(line)
    return pd.DataFrame(out)


def word(found: dict[str, Any]) -> str:
    """Return whether a deposit could still be measured: yes, no, or why there is no answer."""
    if found["told"] is None:
        return str(found["note"])
    return "yes" if found["told"] else "no"


_COLUMNS = {
    "resistance": "R stated [m^2*K/W]", "start": "start [K]", "pause": "pause [s]",
    "cooling": "outside convection [W/m^2/K]",
}


def _cells(name: str, unit: str, found: dict[str, Any] | None) -> dict[str, float]:
    found = found or {}
    return {f"{name} {end} [{unit}]": np.nan if found.get(end) is None else found[end]
            for end in ("estimate", "low", "high")}
