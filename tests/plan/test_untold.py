"""After a fit that tells neither h nor R: one firing, a steady deposit, no bare firing."""

from __future__ import annotations

import pytest

import wallsim
from tests.cli.campaign import log_rows, write
from tests.statistics.campaigns import Here
from wallsim.errors import InputError

pytestmark = pytest.mark.slow

QUESTION = """\
case = "campaign"
draws = 5
measurable = true
[[variant]]
name = "thick"
wall = "6 mm"
[[variant]]
name = "strong"
pressure = "9 bar"
[[variant]]
name = "long"
burn = "8 s"
"""
DECISION = """\
case = "campaign"
[decision]
blend = "dosed"
above = "120 mm^2*K/W"
"""


@pytest.fixture(scope="module", params=["auto", "constant"])
def fitted(request, tmp_path_factory):
    """A fit and its question, and whether the case holds the deposit constant."""
    folder = tmp_path_factory.mktemp("untold")
    rows = log_rows(1.2e-4, h=1100.0, seed=300, growth=lambda share: 1.0)
    path = write(folder / "campaign", runs=(("r1", "dosed"),), growth=request.param, rows=rows)
    wallsim.fit(wallsim.load_case(path), executor=Here()).save(folder / "fit")
    (folder / "whatif.toml").write_text(QUESTION)
    (folder / "next.toml").write_text(DECISION)
    return folder, path, request.param == "constant"


def test_next_refuses_and_says_what_to_add(fitted):
    folder, _, _ = fitted
    with pytest.raises(InputError, match=r"next\.toml: decision\.blend: .*Add a bare firing"):
        wallsim.next_firing(folder, folder / "fit", executor=Here())


def test_whatif_gives_what_rests_on_the_sum_and_marks_what_does_not(fitted):
    folder, _, constant = fitted
    doc = wallsim.whatif(folder, folder / "fit", executor=Here()).document
    assert [f["prior_only"] for f in doc["firings"]] == [
        [], ["pressure"], [] if constant else ["burn"]]
    for firing in doc["firings"]:
        assert firing["bore_peak_K"]["estimate"] > 400.0
        assert firing["deposit_surface_peak_K"] is None
        assert firing["measurable"]["told"] is None
    assert doc["verdict"][0]["level"] == "bad"


def test_predict_meets_the_log_it_was_fitted_to_and_says_what_is_not_told(fitted):
    folder, path, _ = fitted
    found = wallsim.predict(wallsim.load_case(path), folder / "fit", Here(), draws=5)
    assert "does not tell R from h" in found.document["verdict"][0]["text"]
    frame = found.tables["r1"]
    burning = frame["time_s"].between(0.5, 4.0)
    for sensor in "AB":
        error = frame[f"{sensor} predicted [K]"] - frame[f"{sensor} measured [K]"]
        assert abs(error[burning]).max() < 3.0
