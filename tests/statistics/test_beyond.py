"""R beyond the longest burn: whether the band of draws holds deposits that grow otherwise.

No log tells R at twice the longest burn. What is left open of curvature and exponent is to hold it.
Truths go on by their own law; that with the exponent 1.5 does not accelerate beyond the longest
burn, as the model assumes.
"""

import numpy as np
import pytest

import wallsim
from tests.cli.campaign import CASE, RESISTANCE, RUN, log_rows
from tests.statistics.campaigns import Here
from wallsim.build import load_campaign
from wallsim.estimate.joint import estimate_jointly
from wallsim.estimate.readouts import AlongTube
from wallsim.estimate.run_model import Resolution
from wallsim.estimate.unknowns import CURVATURE, EXPONENT
from wallsim.plan.draws import Knowledge, save_posterior
from wallsim.wall.growth import grown

HEATING = 0.02
DRAWS = 401


def saturating(x):
    return lambda s: np.expm1(-x * s) / np.expm1(-x)


TRUTHS = {
    "linear": lambda s: s, "square root": lambda s: max(s, 0.0) ** 0.5,
    "nearly linear": saturating(1.0), "saturating": saturating(2.0), "soon": saturating(4.0),
    "accelerating": lambda s: max(s, 0.0) ** 1.5 if s < 1.0 else 1.0 + 1.5 * (s - 1.0),
}


@pytest.mark.parametrize("name", TRUTHS)
def test_what_is_assumed_of_growth_holds_twice_the_longest_burn(name):
    rng = np.random.default_rng(2)
    c, m = (mean + sd * rng.standard_normal(4000) for mean, sd in (CURVATURE, EXPONENT))
    g = [grown("general", 2.0, np.array(shape))[0] for shape in zip(c, m, strict=True)]
    low, high = np.quantile(g, (0.025, 0.975))
    assert low < TRUTHS[name](2.0) < high


def fitted(folder, growth, seed):
    """Return the relative error, in logs, and the standard deviation of R, at once and twice."""
    text = CASE.format(material="carbon steel", z="25 mm", gas="2000 K +- 40 K", growth="auto")
    rng = np.random.default_rng(1000 + seed)
    for i, blend in enumerate(("bare", "bare", "dosed", "dosed", "dosed")):
        text += RUN.format(name=f"r{i}", blend=blend)
        rows = log_rows(RESISTANCE * (blend == "dosed"), seed=100 * seed + i, growth=growth,
                        h=1500.0 * np.exp(HEATING * rng.standard_normal()))
        (folder / f"r{i}.csv").write_text(
            "\n".join(["time [s],P [bar(g)],A [degC],B [degC]", *rows]) + "\n")
    (folder / "case.toml").write_text(text)
    campaign = load_campaign(wallsim.load_case(folder / "case.toml"))
    fit = estimate_jointly(campaign, Here(), resolution=Resolution(1, 8, 0.4))
    save_posterior(fit, folder)
    along, burn = AlongTube.of(fit), fit.unknowns.t_ref["dosed"]
    draws = Knowledge.fitted(campaign, folder).draw(DRAWS, firing=True).T
    R = np.log([along.at(x).growth("dosed", np.array([burn, 2.0 * burn])).value for x in draws])
    truth = np.log(RESISTANCE * np.array([1.0, growth(2.0)]))
    return truth - R[0], R.std(axis=0, ddof=1)


@pytest.mark.slow
def test_the_band_widens_and_holds_the_truth(tmp_path):
    pulls, widths = [], {}
    for name, growth in TRUTHS.items():
        for seed in range(1, 4):
            folder = tmp_path / f"{name}{seed}"
            folder.mkdir()
            error, sd = fitted(folder, growth, seed)
            pulls.append(error / sd)
            widths.setdefault(name, []).append(sd[1] / sd[0])
    inside = (np.abs(pulls) < 1.96).sum(axis=0)
    assert (inside >= 15).all(), inside
    assert np.sqrt(np.mean(np.square(pulls), axis=0)) == pytest.approx([1.0, 1.0], abs=0.35)
    wider = {name: np.mean(each) for name, each in widths.items()}
    assert min(wider.values()) > 1.0
    assert min(wider[name] for name in ("linear", "nearly linear", "accelerating")) > 1.5
