"""Whether a changed firing's deposit could be measured, held against the fit's own machinery."""

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import write
from wallsim.estimate.run_model import RunModel, WallBuilder, run_rows
from wallsim.estimate.unknowns import RESISTANCE_VARIATION, Unknowns, smooth_basis
from wallsim.estimate.weights import assumed
from wallsim.plan import whatif as asked
from wallsim.plan.draws import save_posterior
from wallsim.plan.whatif_measure import UNKNOWN_LEVEL
from wallsim.regression.prior import smooth_covariance
from wallsim.report.forecast import basis, whatif_rows

pytestmark = pytest.mark.usefixtures("coarse")
HEAD = 'case = "campaign"\ndraws = 3\nmeasurable = true\n[base]\nblend = "dosed"\n'


@pytest.fixture(scope="module")
def folder(coarse, tmp_path_factory):
    place = tmp_path_factory.mktemp("measurable")
    path = write(place / "campaign", growth="linear")
    path.write_text(path.read_text().replace(
        "[fit]\n", '[fit]\ncoefficient = "1500 W/m^2/K +- 5 %"\ncoefficient_variation = "0.02"\n'))
    return place


def ask(folder, pool, text, fitted=None):
    path = folder / "q.toml"
    path.write_text(HEAD + text)
    return wallsim.whatif(path, fitted, executor=pool)


def test_it_is_the_interval_that_the_fit_would_find(folder, pool, monkeypatch):
    campaign = wallsim.load_campaign(wallsim.load_case(folder / "campaign" / "case.toml"))
    firing, unknowns = campaign.firings[1], Unknowns.of(campaign)
    monkeypatch.setattr(asked, "COOL_DOWN", firing.end - firing.burn)
    found = ask(folder, pool, "").document["firings"][0]["measurable"]

    x, resolution = unknowns.prior.mean, asked.FINE
    run = RunModel.of(campaign, firing, unknowns, resolution)
    weights = assumed(run.traces, campaign.case.fit.drift)
    wall, slope = WallBuilder(unknowns, resolution).at(x)
    rows = run_rows(run, weights, x, wall, slope)
    own = unknowns.curve("R dosed")
    C = unknowns.prior.root @ unknowns.prior.root.T
    C[np.ix_(own, own)] = smooth_covariance(
        unknowns.knots, UNKNOWN_LEVEL, RESISTANCE_VARIATION, campaign.case.fit.correlation_length)
    J = np.zeros((len(rows.triangle), x.size))
    J[:, rows.columns] = rows.triangle[:, :-1]
    after = np.linalg.inv(np.linalg.inv(C) + J.T @ J)
    along = smooth_basis(unknowns.knots, np.linspace(0.025, 0.055, 41))
    R = np.exp(along @ x[own])
    gradient = (R[:, None] * along).mean(axis=0)
    sd = np.sqrt(gradient @ after[np.ix_(own, own)] @ gradient)

    interval = found["mean_resistance_m2K_W"]
    assert interval["estimate"] == pytest.approx(R.mean(), rel=1e-6)
    assert (interval["high"] - interval["estimate"]) / 1.96 == pytest.approx(sd, rel=0.02)
    assert found["standard_deviations"] == pytest.approx(R.mean() / sd, rel=0.02)


@pytest.fixture(scope="module")
def several(folder, pool):
    return ask(folder, pool, """
[[variant]]
name = "thick deposit"
resistance = "3e-4 m^2*K/W"
[[variant]]
name = "thin deposit"
resistance = "1e-5 m^2*K/W"
[[variant]]
name = "bare"
blend = "bare"
[[variant]]
name = "too hot"
metal = "aluminium 6061"
[[variant]]
name = "dosed from now on"
blend = "bare"
resistance = "3e-4 m^2*K/W"
firings = 2
""")


def test_thick_deposits_are_told_thin_ones_are_not_and_the_rest_says_why(several):
    found = {f["name"]: f["measurable"] for f in several.document["firings"]}
    assert found["thick deposit"]["told"] is True
    assert found["thin deposit"]["told"] is False
    assert found["thin deposit"]["mean_resistance_m2K_W"]["low"] == 0.0
    assert (found["bare"]["told"], found["bare"]["note"]) == (None, "bare")
    assert found["too hot"]["told"] is None
    assert found["too hot"]["note"] == "wall beyond its table"
    # twice the burn of linear growth
    assert found["dosed from now on"]["mean_resistance_m2K_W"]["estimate"] == pytest.approx(
        6e-4, rel=0.03)


def test_table_rows_and_basis_say_it(several):
    frame = several.tables["firings"]
    assert frame["deposit measurable"].tolist()[:3] == ["yes", "no", "bare"]
    R = frame["mean R as a firing would tell it estimate [m^2*K/W]"]
    assert R.iloc[0] == pytest.approx(3e-4, rel=0.01)
    rows = whatif_rows(several.document)
    assert rows[0]["deposit measurable"].startswith("yes (")
    assert several.document["measurable"]["marches_with_sensitivities"] == 3
    assert "cost 3 marches with sensitivities" in basis(several.document)


def test_what_a_fit_has_told_makes_it_sharper_and_gives_the_noise(folder, pool, tmp_path):
    campaign = wallsim.load_campaign(wallsim.load_case(folder / "campaign" / "case.toml"))
    unknowns = Unknowns.of(campaign)

    class Fitted:
        x = unknowns.prior.mean.copy()
        covariance = 1e-4 * unknowns.prior.root @ unknowns.prior.root.T

    Fitted.unknowns = unknowns
    Fitted.x[unknowns.curve("R dosed")] = np.log(1.5e-4)
    save_posterior(Fitted, tmp_path)
    stated = ask(folder, pool, 'resistance = "1.5e-4 m^2*K/W"\n')
    fitted = ask(folder, pool, 'resistance = "1.5e-4 m^2*K/W"\n', tmp_path)
    before, after = (d.document["firings"][0]["measurable"] for d in (stated, fitted))
    assert after["standard_deviations"] > 1.3 * before["standard_deviations"]
    assert fitted.document["measurable"]["noise"].startswith("residuals of the logged firings")
    assert fitted.document["measurable"]["marches_with_sensitivities"] == 3
    # its own heating and gas temperature stay unknown
    assert after["standard_deviations"] < 60.0


def test_unasked_it_is_not_there(folder, pool):
    path = folder / "q.toml"
    path.write_text('case = "campaign"\ndraws = 3\n[base]\nblend = "dosed"\n')
    result = wallsim.whatif(path, executor=pool)
    assert result.document["measurable"] is None
    assert "deposit measurable" not in result.tables["firings"]
    assert "deposit measurable" not in whatif_rows(result.document)[0]
