"""The section of intervals made in other ways, on a made-up document."""

import io

import pytest
from rich.console import Console

from tests.report.sample import document as sample_document
from wallsim.report.html import page
from wallsim.report.other_intervals import interval_rows, other_intervals, summary_lines
from wallsim.report.summary import summary


def ends(estimate, low, high, **more):
    return {"estimate": estimate, "low": low, "high": high, **more}


def entry(quantity, of, **ways):
    ways.setdefault("remarks", [])
    return {"quantity": quantity, "of": of, "laplace": None, "profile": None, "sample": None,
            "bootstrap": None} | ways


@pytest.fixture
def document():
    out = sample_document()
    out["intervals"] = {
        "reported": "laplace", "asked": "profile", "bootstrap": None,
        "profile": {"how": "least misfit"},
        "sample": {"how": "chains", "evaluations": 808, "kept": 560, "effective": 41.3},
        "readouts": [
            entry("mean_resistance_m2K_W", "D5_3", laplace=ends(1.2e-4, 1.0e-4, 1.44e-4),
                  profile=ends(1.2e-4, 0.95e-4, 1.4e-4),
                  sample=ends(1.19e-4, 0.96e-4, 1.41e-4, effective=41.3, rough=True)),
            entry("bore_peak_K", "R01", laplace=ends(900.0, 880.0, 920.0),
                  profile=ends(900.0, None, 921.0), remarks=["open on one side"]),
            entry("mean_resistance_m2K_W", "HMDSO", laplace=ends(None, None, 2e-5),
                  profile=ends(None, None, None)),
        ],
    }
    return out


def test_each_read_out_stands_in_its_unit_and_way(document):
    rows = interval_rows(document)
    assert rows[0]["readout"] == "mean R of D5_3 [mm²K/W]"
    assert rows[0]["cells"] == ["120 (100 to 144)", "120 (95 to 140)", "119 (96 to 141) (rough)"]
    assert rows[1]["cells"][0] == "627 (607 to 647)"
    assert rows[1]["cells"][1] == "open to 648"
    assert rows[2]["cells"] == ["below 20", "no limit", "-"]


def test_the_page_shows_them_and_says_what_they_are(document):
    text = page(document, [])
    assert "The same intervals in other ways" in text
    assert "808 evaluations, worth 41 independent samples of the worst read-out" in text
    assert "open on one side" in text
    assert "firings drawn" not in text
    assert "in other ways" not in page(sample_document(), [])


def test_the_table_has_every_way_in_plain_units(document):
    table = other_intervals(document)
    assert table["unit"].tolist() == ["mm^2*K/W", "K", "mm^2*K/W"]
    assert table["profile low"][0] == pytest.approx(95.0)
    assert table["independent samples"][0] == pytest.approx(41.3)
    assert other_intervals(sample_document()).empty


def test_the_terminal_says_which_intervals_it_prints(document):
    lines = summary_lines(document)
    assert lines[1] == ("  D5_3: curvature 120 (100 to 144), profile 120 (95 to 140), "
                        "samples 119 (96 to 141) (rough)")
    stream = io.StringIO()
    summary(document, Console(file=stream, width=80))
    assert "Intervals above are from curvature." in stream.getvalue()
    assert "Intervals are from curvature" in summary_lines(sample_document())[0]
