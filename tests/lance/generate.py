"""Write the logs of the demo campaign and their truth: ``python -m tests.lance.generate``."""

from __future__ import annotations

import hashlib
import json
import time
from pathlib import Path
from typing import Any

import numpy as np

from .campaign import BAROMETER, REFERENCE_PRESSURE, Campaign, Firing, lance
from .conduction import DEFAULT, Array, Record, Resolution
from .firing import Readings, march, read

ROOT = Path(__file__).resolve().parents[2]
LOGS = ROOT / "cases" / "lance" / "logs"
TRUTH = Path(__file__).with_name("truth.json")
SPREADSHEET = {"R05"}
PREAMBLE = {"R04"}


def log_text(firing: Firing, readings: Readings) -> str:
    """Return the log of one run as the stand's software or a spreadsheet would save it."""
    names = [f"{name} [degC]" for name in readings.temperatures]
    rows = [["time [s]", "P_head [bar(g)]", *names]]
    columns = np.column_stack(list(readings.temperatures.values()))
    for t, p, values in zip(readings.t, readings.pressure, columns, strict=True):
        cells = ["" if np.isnan(v) else f"{v:.1f}" for v in values]
        rows.append([f"{t:.2f}", f"{p:.3f}", *cells])
    if firing.name in SPREADSHEET:
        return "".join(";".join(row).replace(".", ",") + "\n" for row in rows)
    head = []
    if firing.name in PREAMBLE:
        head = [
            "# hot-gas rig, lance barrel L24 (simulated)",
            f"# run {firing.name}, blend {firing.blend}, ignition signal not recorded",
            "# temperatures degC, pressure bar gauge, 20 scans a second",
        ]
    return "".join(line + "\n" for line in head + [",".join(row) for row in rows])


def _run_truth(campaign: Campaign, firing: Firing, record: Record, text: str) -> dict[str, Any]:
    gas = campaign.gas
    peak = record.bore.max(axis=0)
    burnt = np.interp(firing.burn, record.t, np.arange(record.t.size))
    at_shutdown = record.bore[round(float(burnt))]
    return {
        "sha256": hashlib.sha256(text.encode()).hexdigest(),
        "blend": firing.blend,
        "flux_ratio": firing.flux,
        "burn_s": firing.burn,
        "ignition_s": firing.ignition,
        "pressure_half_rise_s": firing.ignition + 0.5 * gas.pressure_ramp,
        "pressure_half_fall_s": firing.ignition + firing.burn + 0.5 * gas.fall,
        "coefficient_multiplier": firing.multiplier,
        "gas_temperature_factor": firing.gas_factor,
        "bore_peak_K": float(peak.max()),
        "bore_peak_z_m": float(record.z[peak.argmax()]),
        "mean_bore_at_shutdown_K": float(at_shutdown.mean()),
        "bore_at_shutdown_K": np.interp(_along(campaign), record.z, at_shutdown).round(3).tolist(),
        "faults": {
            f.sensor: {"kind": f.kind, "at_s": f.at, "share": f.share} for f in firing.faults
        },
        "sensors": {
            s.name: {"lead_loss": s.loss, "lag_s": s.lag} for s in campaign.sensors_of(firing)
        },
    }


def _along(campaign: Campaign) -> Array:
    """Return where the truth is told along the tube [m]."""
    return np.linspace(0.0, campaign.wall.length, 41)


def _blend_truth(campaign: Campaign, blend: str) -> dict[str, Any]:
    deposit = campaign.deposits[blend]
    burn = max((f.burn for f in campaign.firings if f.blend == blend), default=0.0)
    z = np.linspace(0.0, campaign.wall.length, 41)
    stations = [sensor.z for sensor in campaign.sensors]
    fine = np.linspace(min(stations), max(stations), 2001)
    resistance = deposit.resistance(z, burn) if deposit else np.zeros_like(z)
    between = deposit.resistance(fine, burn) if deposit else np.zeros_like(fine)
    everywhere = np.linspace(0.0, campaign.wall.length, 2001)
    whole = deposit.resistance(everywhere, burn) if deposit else np.zeros_like(everywhere)
    bare = campaign.gas.coefficient(fine)
    return {
        "at_s": burn,
        "resistance_m2K_W": resistance.tolist(),
        "mean_resistance_m2K_W": float(between.mean()),
        "mean_resistance_whole_tube_m2K_W": float(whole.mean()),
        "mean_heat_load_removed": float((1.0 - 1.0 / (1.0 + bare * between)).mean()),
        "conductivity_W_mK": deposit.conductivity if deposit else None,
        "rate_m_s": deposit.rate if deposit else None,
        "limit_m": deposit.limit if deposit else None,
    }


def make(
    campaign: Campaign, resolution: Resolution = DEFAULT
) -> tuple[dict[str, str], dict[str, Any]]:
    """Return the text of every log by run, and the truth behind them."""
    logs, runs = {}, {}
    for firing in campaign.firings:
        record = march(campaign, firing, resolution)
        logs[firing.name] = log_text(firing, read(campaign, firing, record))
        runs[firing.name] = _run_truth(campaign, firing, record, logs[firing.name])
    z, wall = _along(campaign), campaign.wall
    truth = {
        "seed": campaign.seed,
        "wall": {
            "bore_m": wall.bore,
            "wall_m": wall.wall,
            "length_m": wall.length,
            "contact_W_m2K": list(wall.contact),
            "emissivity": wall.emissivity,
            "ambient_K": wall.ambient,
        },
        "barometer_Pa": BAROMETER,
        "reference_pressure_Pa": REFERENCE_PRESSURE,
        "pressure_exponent": campaign.gas.exponent,
        "z_m": z.tolist(),
        "coefficient_W_m2K": campaign.gas.coefficient(z).tolist(),
        "gas_temperature_K": campaign.gas.temperature(z).tolist(),
        "blends": {name: _blend_truth(campaign, name) for name in campaign.deposits},
        "runs": runs,
    }
    return logs, truth


def write(campaign: Campaign, folder: Path, truth_file: Path) -> None:
    """Write all logs of ``campaign`` into ``folder`` and the truth into ``truth_file``."""
    logs, truth = make(campaign)
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in logs.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8", newline="\n")
    truth_file.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    began = time.perf_counter()
    write(lance(), LOGS, TRUTH)
    print(f"wrote {LOGS.relative_to(ROOT)} in {time.perf_counter() - began:.0f} s")
