"""The result folder against the document it was made from."""

from __future__ import annotations

import copy
import io
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rich.console import Console

from tests.report import sample
from wallsim.errors import InputError, OutputError
from wallsim.report import render, save, summary
from wallsim.report.document import file_stems, plain
from wallsim.report.figures import _panels
from wallsim.report.html import page
from wallsim.report.style import batches, spread
from wallsim.report.tables import tables
from wallsim.report.traces import lane_scale, sensor_colours
from wallsim.report.words import beyond_text, channel_faults, channel_use, counts_text, deposit_text
from wallsim.rounding import decimals_of_error, interval_text, load_text, significant


def small(*runs: str) -> tuple[dict, dict]:
    document = sample.document()
    document["runs"] = {name: document["runs"][name] for name in runs}
    return document, {name: sample.trace(name) for name in runs}


def written(document, width=80, encoding="utf-8") -> str:
    stream = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    summary(document, Console(file=stream, width=width), Path("results/lance"))
    stream.flush()
    return stream.buffer.getvalue().decode(encoding)


@pytest.fixture(scope="module")
def folder(few_points, tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("result")
    save(*small("R02", "R06"), out)
    return out


@pytest.fixture(scope="module")
def report(folder) -> str:
    return (folder / "report.html").read_text(encoding="utf-8")


def test_every_file_is_there_and_nothing_half_written(folder):
    names = {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()}
    assert {"result.json", "report.html", "traces/R06.csv"} <= names
    assert {f"tables/{n}.csv" for n in tables(sample.document())} <= names
    figures = {n for n in names if n.startswith("figures/")}
    assert {"figures/run_R06.png", "figures/resistance.png", "figures/what_limits.png"} <= figures
    assert not [n for n in names if n.endswith(".part")]
    for name in figures:
        assert (folder / name).read_bytes().startswith(b"\x89PNG")


def test_a_second_render_gives_the_same_bytes_and_clears_figures_of_runs_that_are_gone(folder):
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    (folder / "figures/run_R99.png").write_bytes(b"old")
    (folder / "figures/mine.txt").write_text("keep")
    assert render(folder) == folder / "report.html"
    (folder / "figures/mine.txt").unlink()
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before


def test_result_json_is_the_document(folder):
    document, _ = small("R02", "R06")
    assert json.loads((folder / "result.json").read_text(encoding="utf-8")) == plain(document)


def test_the_table_along_the_tube_reads_back(folder):
    table = pd.read_csv(folder / "tables/along_tube.csv")
    document = sample.document()
    gas, deposit = document["gas_side"], document["blends"]["D5_3"]["deposit"]
    np.testing.assert_allclose(table["z [mm]"], 1e3 * np.array(gas["z_m"]), rtol=1e-5)
    for end in ("estimate", "low", "high"):
        np.testing.assert_allclose(
            table[f"h {end} [W/m^2/K]"], gas["coefficient_W_m2K"][end], rtol=1e-5
        )
        R = 1e-6 * table[f"D5_3 R {end} [mm^2*K/W]"]
        np.testing.assert_allclose(R, deposit["resistance_m2K_W"][end], rtol=1e-5)
        thickness = 1e-6 * table[f"D5_3 thickness {end} [um]"]
        np.testing.assert_allclose(thickness, deposit["thickness_m"][end], rtol=1e-5)
    pressure = 1e5 * table["static pressure [bar abs]"]
    np.testing.assert_allclose(pressure, gas["local_pressure_Pa"], rtol=1e-5)
    assert table["HMDSO R estimate [mm^2*K/W]"].isna().all()


def test_the_other_tables_read_back(folder):
    document, _ = small("R02", "R06")
    runs = pd.read_csv(folder / "tables/runs.csv").set_index("run")
    peak = document["runs"]["R06"]["bore_peak_K"]
    assert runs.loc["R06", "bore peak high [K]"] == pytest.approx(peak["high"], rel=1e-5)
    assert np.isnan(runs.loc["R02", "time to limit estimate [s]"])
    channels = pd.read_csv(folder / "tables/channels.csv")
    lost = channels[(channels["run"] == "R06") & (channels["sensor"] == "S3")].iloc[0]
    assert (lost["verdict"], lost["used until [s]"]) == ("detached", 7.0)
    blends = pd.read_csv(folder / "tables/blends.csv").set_index("blend")
    mean = document["blends"]["D5_6"]["deposit"]["mean_resistance_m2K_W"]["low"]
    assert blends.loc["D5_6", "mean R low [mm^2*K/W]"] == pytest.approx(1e6 * mean, rel=1e-5)
    assert np.isnan(blends.loc["neat", "mean R low [mm^2*K/W]"])
    assert list(blends["water [mass %]"]) == [0.0, 0.0, 0.0, 0.0, 20.0]
    factor = document["blends"]["HMDSO"]["coefficient_factor"]["low"]
    assert blends.loc["HMDSO", "own factor on h low [-]"] == pytest.approx(factor, rel=1e-5)
    growth = pd.read_csv(folder / "tables/resistance_in_time.csv")
    assert sorted(growth["blend"].unique()) == ["D5_1p5", "D5_3", "D5_6"]
    parameters = pd.read_csv(folder / "tables/parameters.csv")
    assert len(parameters) == len(document["parameters"])


class Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.links += [v or "" for k, v in attrs if k in {"src", "href", "srcset", "data"}]


def test_the_page_asks_nothing_of_any_other_place(report):
    parser = Links()
    parser.feed(report)
    assert parser.links
    assert all(link.startswith(("data:image/png;base64,", "#")) for link in parser.links)
    assert not parser.tags & {"script", "link", "iframe", "object", "embed"}
    style = report[: report.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style


def test_the_verdict_comes_first_and_every_caution_is_there(report):
    headings = re.findall(r"<h2>(.*?)</h2>", report)
    assert headings[0] == "Verdict"
    assert headings[-1] == "Range of validity and cautions"
    for word in ("Advisory only", "under pressure", "Oxidiser", "Silicon compounds", "local codes"):
        assert word in report


def test_the_page_says_why_there_is_no_number(report):
    assert "not identifiable" in report
    assert "cannot be told from a lower h" in report
    assert "below 180" in report
    assert "the bore stays below it for 60 s" in report
    assert "<th>evaluations</th><td>9</td>" in report
    assert "gain of S6 (far from what was stated)" in report
    assert "D5_6 limiting resistance (at its bound)" in report
    assert "slope changes by -48 K/s" in report


def test_the_page_shows_a_blend_s_own_coefficient_only_where_one_is_stated(report):
    assert "own factor<br>on h" in report
    assert "0.99 (0.94 to 1.04)" in report.replace("\xa0", " ")
    document = sample.document()
    for blend in document["blends"].values():
        blend["coefficient_factor"], blend["water"] = {"estimate": 1, "low": 1, "high": 1}, 0.0
    text = page(document, [])
    assert "own factor<br>on h" not in text
    assert "water in the fuel" not in text


def test_shares_that_overlap_are_not_called_parts_of_a_whole(report):
    assert "need not add up to 100 %" in report[: report.index("Deposit, in figures")]


def test_text_of_the_user_is_never_markup():
    document = sample.document()
    document["case"]["title"] = "<script>alert(1)</script>"
    document["runs"] = {"<b>": document["runs"]["R06"]}
    document["runs"]["<b>"]["channels"]["S3"]["reason"] = "<img src=x>"
    document["verdict"][0]["text"] = "[red]a & b[/red] <i>"
    text = page(document, [])
    assert "<script" not in text
    assert "<img" not in text
    assert "<i>" not in text.split("How it was computed")[0]
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    assert "[red]a & b[/red] <i>" in written(document)


def test_a_document_full_of_nulls_still_renders(tmp_path):
    document, traces = small("R09")
    run = document["runs"]["R09"]
    for key in ("heating_factor", "bore_peak_K", "bore_peak_z_m", "time_to_limit_s", "burn_s"):
        run[key] = None
    run["heat_flux_W_m2"] = {"estimate": None, "low": None, "high": None}
    run["bore_temperature_K"] = None
    document["gas_side"]["local_pressure_Pa"] = None
    document["gas_side"]["coefficient_W_m2K"] = {
        "estimate": [None, *sample.coefficient()[1:].tolist()],
        "low": None,
        "high": None,
    }
    keep = ("neat", "HMDSO")
    document["blends"] = {name: document["blends"][name] for name in keep}
    document["blends"]["HMDSO"]["gas_temperature_K"] = None
    for key in ("verdict", "parameters", "fit", "stations", "inputs", "versions"):
        del document[key]
    save(document, traces, tmp_path)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert not re.search(r"\b(nan|None|inf)\b", re.sub(r'src="[^"]*"', "", text))
    assert "not identifiable" in written(document)
    assert "nan" not in written(document)


@pytest.mark.usefixtures("sketched")
def test_no_deposit_at_all(tmp_path):
    document, traces = small("R01")
    document["blends"] = {"neat": document["blends"]["neat"]}
    save(document, traces, tmp_path)
    assert not (tmp_path / "figures/resistance.png").exists()
    assert list(pd.read_csv(tmp_path / "tables/resistance_in_time.csv").columns)
    assert "only the gas side was determined" in written(document)


def test_numbers_that_are_not_finite_become_null():
    value = {"a": np.float64("nan"), "b": np.array([1.0, np.inf]), "c": (np.int64(3), True)}
    assert plain(value) == {"a": None, "b": [1.0, None], "c": [3, True]}


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda f: (f / "result.json").unlink(), "has no result.json"),
        (lambda f: (f / "result.json").write_text("{"), "cannot be read"),
        (lambda f: (f / "result.json").write_text('{"schema": "other/9"}'), "got 'other/9'"),
        (lambda f: (f / "traces/R01.csv").unlink(), "traces/R01.csv of run R01 is missing"),
        (lambda f: (f / "traces/R01.csv").write_text("a,b\n1,2\n"), "has no column time_s"),
        (lambda f: (f / "traces/R01.csv").write_text(""), "cannot be read"),
    ],
)
def test_a_folder_that_is_not_a_result_is_refused_by_name(tmp_path, spoil, message):
    from wallsim.report.document import write_document

    write_document(*small("R01"), tmp_path)
    spoil(tmp_path)
    with pytest.raises(InputError, match=re.escape(message)) as error:
        render(tmp_path)
    assert str(tmp_path) in str(error.value)
    assert not (tmp_path / "report.html").exists()


def test_save_wants_an_empty_folder_and_traces_of_every_run(tmp_path):
    document, traces = small("R01", "R02")
    with pytest.raises(OutputError, match="no such folder"):
        save(document, traces, tmp_path / "absent")
    del traces["R02"]
    with pytest.raises(OutputError, match="no traces given for run R02"):
        save(document, traces, tmp_path)
    assert not list(tmp_path.iterdir())
    (tmp_path / "mine.txt").write_text("keep")
    with pytest.raises(OutputError, match="is not empty"):
        save(document, traces, tmp_path)


def test_run_names_become_safe_file_names():
    stems = file_stems(dict.fromkeys(["R 1/a", "R_1_a", "r_1_A", "..", "Lauf ü"]))
    assert list(stems.values()) == ["R_1_a", "R_1_a_2", "r_1_A_3", "run", "Lauf"]


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "ascii"])
def test_the_summary_fits_eighty_columns(encoding):
    text = written(sample.document(), encoding=encoding)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert text.index("PROBLEM") < text.index("Deposit, mean") < text.index("Runs")
    assert re.search(r"D5_3 +12\.0 +127 \(111 to 146\) +13\.0 \(11\.5 to 14\.8\)", text)
    assert re.search(r"D5_1p5 +12\.0 +below 180", text)
    assert re.search(r"HMDSO +12\.0 +not identifiable", text)
    assert "R06 S3 detached, until 7.00 s" in text
    assert re.search(r"used of 11 +877 (°C|degC) at s\n", text)
    assert re.search(r"R01 .* 11 +19\.0\n", text)
    assert re.search(r"R06 .* 10\+1 part +19\.0\n", text)
    assert re.search(r"R02 .* 11 +-\n", text)
    assert "R02: the bore stays below it for 60 s" in text
    assert "from 25 to 378 mm (first to last station)" in text
    flowing = " ".join(text.split())
    assert "misfit 2.825e+04 over 26400 block means (1.07 each, by the noise found)" in flowing
    assert "results/lance/report.html" in text.replace("\\", "/")


def test_the_summary_says_nothing_twice():
    document = sample.document()
    reason = document["runs"]["R06"]["channels"]["S3"]["reason"]
    document["verdict"] = [
        {"level": "good", "text": "D5_3: seen. Most of the uncertainty: heating factor of R03."},
        {"level": "note", "text": f"S3 in R06: {reason}."},
    ]
    text = " ".join(written(document).split())
    assert text.count("heating factor of R03") == 1
    assert text.count(reason) == 1
    assert "limited by heating factor of R04" in text


def spiked() -> dict:
    """Return the sample with igniter spikes masked in every channel that was in order."""
    document = sample.document()
    for run in document["runs"].values():
        for channel in run["channels"].values():
            if channel["verdict"] == "ok":
                channel |= {"verdict": "spikes", "reason": "1 spike, 4 samples masked"}
    return document


def test_lost_channels_stand_before_marked_ones_and_equal_faults_share_a_line():
    faults = channel_faults(spiked())
    assert [(f.run, f.sensors, f.use) for f in faults[:2]] == [
        ("R09", ("S5",), "not used"),
        ("R06", ("S3",), "until 7.00 s"),
    ]
    assert all(f.use == "used" for f in faults[2:])
    assert len(faults) == 2 + len(sample.RUNS) + 1
    total = len(sample.RUNS) * len(sample.STATIONS)
    assert sum(len(f.sensors) for f in faults) == total


def test_many_masked_channels_do_not_crowd_out_a_lost_one():
    text = written(spiked())
    assert "R06 S3 detached, until 7.00 s" in text
    assert "R09 S5 reversed, not used" in text
    n = len(sample.RUNS) * len(sample.STATIONS) - 2
    assert re.search(rf"spikes +{n} channels, used all the same", text)
    document = spiked()
    document["verdict"] = [{"level": "note", "text": f"Spikes were masked in {n} channels."}]
    assert written(document).count(f"{n} channels") == 1


@pytest.mark.parametrize("named", ["S4 in R06", "S3 in R066", "TS3 in R06"])
def test_a_lost_channel_is_not_hidden_by_another_with_the_same_reason(named):
    document = sample.document()
    reason = document["runs"]["R06"]["channels"]["S3"]["reason"]
    document["verdict"] = [{"level": "note", "text": f"{named} (detached): {reason}."}]
    assert "R06 S3 detached" in written(document)


def test_a_channel_used_in_part_is_told_from_a_whole_and_a_lost_one():
    runs = sample.document()["runs"]
    assert [counts_text(runs[n]) for n in ("R01", "R06", "R09")] == ["11", "10+1 part", "10"]
    run = {
        "ignition_s": 0.0,
        "channels": {
            "a": {"samples": 9, "used_from_s": -5.0, "used_until_s": 25.0},
            "b": {"samples": 9, "used_from_s": 9.0, "used_until_s": 25.0},
            "c": {"samples": 9, "used_from_s": -0.2, "used_until_s": 25.0},
            "d": {"samples": 9, "used_from_s": -5.0, "used_until_s": 25.0, "verdict": "excluded"},
            "e": {"samples": 9, "used_from_s": 2.0, "used_until_s": 7.0},
        },
    }
    uses = [channel_use(c, run) for c in run["channels"].values()]
    assert uses == ["used", "from 9.00 s", "used", "in part", "from 2.00 s until 7.00 s"]
    assert counts_text(run) == "2+3 part"


def test_a_hottest_bore_outside_the_stations_is_remarked():
    document = sample.document()
    assert beyond_text(document) == ""
    document["runs"]["R04"]["bore_peak_z_m"] = 0.385
    assert beyond_text(document).startswith("The hottest bore of R04 lies at z 385 mm, outside")
    assert "hottest bore of R04" in " ".join(written(document).split())
    assert "hottest bore of R04" in page(document, [])
    for run, z in zip(document["runs"].values(), np.linspace(0.381, 0.39, 8), strict=True):
        run["bore_peak_z_m"] = z
    assert "of all runs lies at z 381 to 390 mm" in beyond_text(document)


def test_temperatures_on_the_page_are_in_celsius(report):
    text = report.replace("\xa0", " ")
    low, high = 2350.0 * np.exp(-0.0392) - 273.15, 2350.0 * np.exp(0.0392) - 273.15
    assert f"2080 ({low:.0f} to {high:.0f})" in text or "2080 (1990 to 2170)" in text
    assert "time to 877 °C" in text
    assert not re.search(r"(temperature|bore)<br>\[K\]", text)


def test_a_sensor_has_one_colour_in_all_runs():
    document, traces = small("R02", "R06")
    colours = sensor_colours(document, traces)
    assert list(colours)[:3] == ["S1", "S2", "S3"]
    assert len(set(colours.values())) == len(colours) == len(sample.STATIONS)
    document["runs"] = dict(reversed(document["runs"].items()))
    assert sensor_colours(document, traces) == colours


@pytest.mark.parametrize(
    ("error", "places"),
    [(11.5, 0), (115.0, -1), (0.354, 2), (0.36, 1), (0.94, 1), (0.97, 1), (9.9, 0), (0.0, 2)],
)
def test_an_uncertainty_keeps_one_or_two_figures(error, places):
    assert decimals_of_error(error) == places


def test_a_skew_interval_keeps_a_lower_end():
    text = interval_text({"estimate": 8.0, "low": 0.6, "high": 100.0})
    assert text == "8 (1 to 100)"


@pytest.mark.parametrize(
    ("interval", "scale", "expected"),
    [
        ({"estimate": 1.27e-4, "low": 1.1e-4, "high": 1.46e-4}, 1e6, "127 (110 to 146)"),
        ({"estimate": 0.2161, "low": 0.1987, "high": 0.2389}, 100.0, "21.6 (19.9 to 23.9)"),
        ({"estimate": 2338.2, "low": 2100.0, "high": 2560.0}, 1.0, "2340 (2100 to 2560)"),
        ({"estimate": 1.0, "low": 1.0, "high": 1.0}, 1.0, "1.00 (held fixed)"),
        ({"estimate": None, "low": None, "high": 1.771e-4}, 1e6, "below 180"),
        ({"estimate": None, "low": None, "high": None}, 1.0, "not identifiable"),
        (None, 1.0, "not identifiable"),
        ({"estimate": 5.0, "low": None, "high": None}, 1.0, "5.00 (no interval)"),
        ({"estimate": 504.464227, "low": 504.464226, "high": 504.464228}, 1.0, "504"),
        ({"estimate": 0.5, "low": 0.4999999, "high": 0.9}, 1.0, "0.5000 (0.5000 to 0.9000)"),
    ],
)
def test_intervals_in_words(interval, scale, expected):
    assert interval_text(interval, scale) == expected


def test_an_end_is_not_printed_equal_to_a_value_that_it_differs_from():
    found = {"estimate": 267.0, "low": 250.3, "high": 285.0}
    assert interval_text(found) == "267 (250 to 285)"
    assert interval_text(found, apart=250.0) == "267.0 (250.3 to 285.0)"
    assert interval_text(found | {"low": 250.0}, apart=250.0) == "267 (250 to 285)"


@pytest.mark.parametrize(("margin", "words"), [
    ((None, None, 4.0), "less than 4"), ((6.0, 5.0, 7.0), "6.0 (5.0 to 7.0)"),
    ((6.0, None, 7.0), "6.00 (less than 7.00)"), ((6.0, 6.0, 6.0), "6.00"),
    ((None, None, None), "not assessed"), ((209.2, 180.0, 240.0), "209 (180 to 240)"),
    ((260.9, 257.9, 263.8), "261 (258 to 264)"), ((12.03, 12.01, 12.06), "12.0 (12.0 to 12.1)"),
])
def test_a_limit_load_in_words(margin, words):
    assert load_text(dict(zip(("estimate", "low", "high"), margin, strict=True))) == words
    assert load_text(None) == "not assessed"


def test_an_upper_limit_is_never_rounded_below_itself():
    for high in (171.0, 1.2e-3, 18.0001, 25.79, 100.0, 9.96):
        deposit = {"identifiable": True, "upper_limit_only": True, "mean": {"high": high}}
        assert float(deposit_text(deposit, "mean", 1.0).removeprefix("below ")) >= high


@pytest.mark.parametrize(
    ("value", "expected"),
    [(0.00795, "0.00795"), (2338.0, "2340"), (5.1e-5, "5.10e-05"), (0.0, "0"), (None, "-")],
)
def test_significant_figures(value, expected):
    assert significant(value) == expected


def test_channel_use_compares_with_the_longest_channel():
    run = {
        "channels": {
            "a": {"samples": 9, "used_until_s": 25.0},
            "b": {"samples": 4, "used_until_s": 7.0},
            "c": {"samples": 0, "used_until_s": None},
        }
    }
    assert [channel_use(c, run) for c in run["channels"].values()] == [
        "used",
        "until 7.00 s",
        "not used",
    ]


def test_labels_are_spread_in_order_within_their_range():
    wanted = [5.0, 5.1, 9.9, 10.0, 0.0]
    y = spread(wanted, 1.0, 0.0, 10.0)
    assert list(np.argsort(y)) == list(np.argsort(wanted, kind="stable"))
    assert np.diff(np.sort(y)).min() >= 1.0 - 1e-9
    assert min(y) >= 0.0
    assert max(y) <= 10.0
    assert spread([3.0, 3.0, 3.0], 9.0, 0.0, 4.0) == [0.0, 2.0, 4.0]


def test_panels_hold_at_most_eight_traces():
    groups = batches([f"S{i}" for i in range(11)])
    assert [len(g) for g in groups] == [6, 5]
    assert [name for group in groups for name in group] == [f"S{i}" for i in range(11)]


def test_a_name_keeps_its_colour_whatever_else_is_shown():
    every = [f"b{i}" for i in range(11)]
    assert _panels(every, every[:1]) == [[(0, "b0")]]
    groups = _panels(every, every[2:])
    assert [pair for group in groups for pair in group] == list(enumerate(every))[2:]
    assert all(len({place % 8 for place, _ in group}) == len(group) for group in groups)
    assert _panels(every, []) == []


def test_the_lane_scale_ignores_what_was_not_used():
    frame = sample.trace("R09")
    assert lane_scale(frame, ["S1", "S5"]) == 2.0
    spoilt = copy.deepcopy(frame)
    spoilt["S5 used"] = 1
    assert lane_scale(spoilt, ["S1", "S5"]) >= 500.0


def test_every_table_can_be_scrolled_and_shows_it(report):
    tables_of_page = re.findall(r"<table", report)
    assert len(re.findall(r'<div class="scroll">\s*<table', report)) == len(tables_of_page) > 5
    assert "background-attachment: local, local, scroll, scroll" in report
