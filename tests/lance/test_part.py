"""Three firings and four thermocouples of the demo, fitted, against the truth of its logs.

Marched to 1 K. All of the demo, as finely as it is by default: `test_fit.py`, run by hand.
"""

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest

import wallsim
from tests.statistics.campaigns import Here, case_text

HERE = Path(__file__).parent
TRUTH = json.loads((HERE / "truth.json").read_text())
RUNS = ("R01", "R03", "R04")
LEFT_OUT = ("R05", "R07", "S5")


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    folder = tmp_path_factory.mktemp("part")
    (folder / "logs").mkdir()
    for run in RUNS:
        shutil.copy(HERE.parents[1] / f"cases/lance/logs/{run}.csv", folder / "logs")
    tables = re.split(r"\n(?=\[)", case_text())
    kept = [t for t in tables if not any(f'name = "{name}"' in t for name in LEFT_OUT)]
    text = "\n".join(kept).replace("[fit]\n", '[fit]\ntolerance = "1 K"\n')
    (folder / "case.toml").write_text(text, encoding="utf-8")
    return wallsim.fit(wallsim.load_case(folder / "case.toml"), Here(), laws=False).document


def test_it_converges_and_nothing_is_wrong(document):
    assert document["fit"]["converged"]
    assert document["fit"]["evaluations"] <= 12
    assert list(document["runs"]) == list(RUNS)
    assert len(document["stations"]) == 4
    assert not [line for line in document["verdict"] if line["level"] == "bad"]


def test_gas_side_coefficient_within_five_per_cent(document):
    gas = document["gas_side"]
    truth = np.interp(gas["z_m"], TRUTH["z_m"], TRUTH["coefficient_W_m2K"])
    p = gas["reference_pressure_Pa"] / TRUTH["reference_pressure_Pa"]
    h = np.array(gas["coefficient_W_m2K"]["estimate"])
    assert np.abs(h / (truth * p ** TRUTH["pressure_exponent"]) - 1.0).max() < 0.05


@pytest.mark.parametrize("name", ["D5_3", "D5_6"])
def test_resistance_within_ten_per_cent_and_in_its_interval(document, name):
    mean = document["blends"][name]["deposit"]["mean_resistance_m2K_W"]
    truth = TRUTH["blends"][name]["mean_resistance_m2K_W"]
    assert mean["low"] < truth < mean["high"]
    assert abs(mean["estimate"] / truth - 1.0) < 0.10


def test_bore_peaks(document):
    for name, run in document["runs"].items():
        peak, truth = run["bore_peak_K"], TRUTH["runs"][name]["bore_peak_K"]
        assert peak["low"] < truth < peak["high"]
