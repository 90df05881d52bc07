"""A tiny campaign whose deposit is carried over, then comes off: told, found and not imagined."""

import re
from types import SimpleNamespace

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import BURN, RESISTANCE, log_rows, write
from tests.statistics.campaigns import Here
from wallsim.build import load_campaign
from wallsim.errors import LogError
from wallsim.estimate.intervals.redrawn import Redrawn
from wallsim.estimate.joint import Misfit
from wallsim.estimate.resolution import first_guess
from wallsim.estimate.run_model import RunModel, WallBuilder
from wallsim.estimate.unknowns import Unknowns
from wallsim.plan.ensemble import Ensemble
from wallsim.report.figures import moment_of_loss
from wallsim.report.tables import resistance_in_time
from wallsim.wall.march import march

pytestmark = pytest.mark.usefixtures("coarse")
RETAINED, LOST, MOMENT = 0.6, 0.7, 2.0
HEADER = "time [s],P [bar(g)],A [degC],B [degC]"
CLOCK = MOMENT + BURN[0]


def after_loss(share):
    """Deposit growing evenly, of which a share comes off in the middle of the burn."""
    at = MOMENT / (BURN[1] - BURN[0])
    return share if share < at else (1.0 - LOST) * at + share - at


GROWTH = {
    "bare": (0.0, lambda share: share),
    "bare2": (0.0, lambda share: share),
    "whole": (3.0 * RESISTANCE, lambda share: share),
    "again": (3.0 * RESISTANCE, lambda share: RETAINED + share),
    "shed": (3.0 * RESISTANCE, after_loss),
}


def campaign(folder, *names, **lines):
    """Write one firing of each name and return the case file; ``lines`` are added to runs."""
    runs = [(name, "bare" if name.startswith("bare") else "dosed") for name in names]
    path = write(folder, runs=runs, rows=[], growth="linear", gas="2000 K +- 20 K")
    for seed, name in enumerate(names):
        R, growth = GROWTH[name]
        rows = log_rows(R, seed=seed, growth=growth)
        (folder / f"{name}.csv").write_text("\n".join([HEADER, *rows]) + "\n")
    text = path.read_text()
    for run, more in lines.items():
        text = re.sub(rf'(?m)^(name = "{run}"\n)', rf"\g<1>{more}\n", text)
    path.write_text(text)
    return path


def fitted(path):
    return wallsim.fit(wallsim.load_case(path), executor=Here()).document


def holds(interval, value):
    return interval["low"] < value < interval["high"]


@pytest.fixture(scope="module")
def carried(coarse, tmp_path_factory):
    more = 'start = "as left by whole"\nretained = "0.8 +- 0.25"'
    return fitted(campaign(tmp_path_factory.mktemp("c"), "bare", "whole", "again", again=more))


def test_the_fraction_retained_is_found(carried):
    deposit = carried["runs"]["again"]["deposit"]
    assert holds(deposit["retained_fraction"], RETAINED)
    assert deposit["retained_fraction"]["high"] - deposit["retained_fraction"]["low"] < 0.4
    assert deposit["left_by"] == "whole"
    assert deposit["shedding"] is None
    full = GROWTH["whole"][0]
    assert holds(deposit["mean_resistance_at_ignition_m2K_W"], RETAINED * full)
    assert holds(deposit["mean_resistance_at_shutdown_m2K_W"], (1.0 + RETAINED) * full)
    assert holds(carried["blends"]["dosed"]["deposit"]["mean_resistance_m2K_W"], full)
    history = deposit["in_time"]
    for k, at in ((0, "ignition"), (-1, "shutdown")):
        then = {key: each[k] for key, each in history["mean_resistance_m2K_W"].items()}
        assert then == deposit[f"mean_resistance_at_{at}_m2K_W"]
    assert np.all(np.diff(history["mean_resistance_m2K_W"]["estimate"]) > 0.0)
    table = resistance_in_time(carried)
    assert list(table["run"].unique()) == ["", "again"]
    assert carried["runs"]["whole"]["deposit"] is None
    assert any("of the deposit that whole left" in line["text"] for line in carried["verdict"])


def test_no_deposit_is_said_to_have_come_off_where_none_did(carried):
    assert all(run["shedding_suspected"] is None for run in carried["runs"].values())


def test_deposit_that_comes_off_unsaid_is_noticed(tmp_path):
    document = fitted(campaign(tmp_path, "bare", "whole", "shed"))
    suspected = {n: run["shedding_suspected"] for n, run in document["runs"].items()}
    found = suspected.pop("shed")
    assert set(suspected.values()) == {None}
    assert found["misfit_fall"] > 25.0
    assert holds(found["time_s"], CLOCK)
    [line] = [x["text"] for x in document["verdict"] if "looks as if deposit" in x["text"]]
    assert line.startswith("shed looks")
    assert f"write {found['case_line']} in its [[run]]" in line


@pytest.mark.slow
def test_deposit_said_to_come_off_is_told_before_and_after(tmp_path):
    path = campaign(tmp_path, "bare", "bare2", "whole", "shed", shed='shed = "2.2 s +- 0.3 s"')
    document = fitted(path)
    assert document["runs"]["shed"]["shedding_suspected"] is None
    found = document["runs"]["shed"]["deposit"]["shedding"]
    assert holds(found["time_s"], CLOCK)
    assert holds(found["lost_fraction"], LOST)
    full, burn, apart = GROWTH["shed"][0], BURN[1] - BURN[0], found["resistance_stated_apart_s"]
    assert holds(found["mean_resistance_before_m2K_W"], (MOMENT - apart) / burn * full)
    early, late = moment_of_loss(document["runs"]["shed"])
    assert early < MOMENT < late
    history = document["runs"]["shed"]["deposit"]["in_time"]
    k = int(np.argmin(np.diff(history["mean_resistance_m2K_W"]["estimate"])))
    for key in ("estimate", "low", "high"):
        R = history["mean_resistance_m2K_W"][key]
        assert R[k] == found["mean_resistance_before_m2K_W"][key]
        assert R[k + 1] == found["mean_resistance_after_m2K_W"][key]
    after = ((1.0 - LOST) * MOMENT + apart) / burn * full
    assert holds(found["mean_resistance_after_m2K_W"], after)
    [line] = [x["text"] for x in document["verdict"] if "of the deposit came off at" in x["text"]]
    assert "mm²K/W 0.25 s before" in line


def test_draws_of_a_forecast_march_with_the_same_deposit(tmp_path):
    more = 'start = "as left by whole"\nshed = "2 s +- 0.3 s"'
    campaign_ = load_campaign(wallsim.load_case(
        campaign(tmp_path, "bare", "whole", "again", again=more)))
    unknowns, resolution = Unknowns.of(campaign_), first_guess(campaign_)
    run = RunModel.of(campaign_, campaign_.firings[-1], unknowns, resolution)
    wall = WallBuilder(unknowns, resolution).wall(campaign_.case.tube.wall.value)
    sd = np.array([p.sd for p in unknowns.prior.parameters])
    x = unknowns.prior.mean[:, None] + 0.2 * sd[:, None] * np.array([0.0, 1.0, -1.0])
    p = run.map.constant[:, None] + run.map.matrix @ x
    draws = Ensemble(wall, run.surfaces, run.map.parameters, p)
    track = draws.march(run.schedule, np.repeat(run.start[:, None], 3, axis=1))
    bore = wall.faces["bore"].nodes
    for i in range(3):
        alone = march(wall, run.surfaces, run.map.at(x[:, i]), run.schedule, run.bore, run.start)
        assert np.abs(track.T[-1, bore, i] - alone.y[-1]).max() < 0.05


def test_firings_on_one_deposit_are_drawn_anew_sharing_what_the_later_one_depends_on(tmp_path):
    loaded = load_campaign(wallsim.load_case(campaign(
        tmp_path, "bare", "whole", "again", whole='shed = "2 s +- 0.3 s"',
        again='start = "as left by whole"')))
    unknowns, resolution = Unknowns.of(loaded), first_guess(loaded)
    runs = tuple(RunModel.of(loaded, f, unknowns, resolution) for f in loaded.firings)
    misfit = Misfit(unknowns, resolution, runs, Here())
    misfit.be_at(np.zeros(unknowns.prior.mean.size))
    estimate = SimpleNamespace(campaign=loaded, unknowns=unknowns, runs=runs, rows=misfit.rows,
                               x=unknowns.prior.mean)
    drawn = Redrawn.of(estimate, 5)
    shared = {unknowns.prior.parameters[i].name for i in drawn.found.shared}
    assert {"ignition offset whole", "lost fraction whole", "shedding time whole"} <= shared
    assert not {"heating factor whole", "ignition offset again", "retained fraction again"} & shared


def test_a_moment_outside_the_burn_is_refused(tmp_path):
    path = campaign(tmp_path, "bare", "whole", whole='shed = "4.5 s"')
    with pytest.raises(LogError, match=r"whole\.csv: shed in run whole is not during the burn "
                                       r'\(got 4\.5 s\); it burns from 0\.05 s to 4\.0\d s'):
        fitted(path)
