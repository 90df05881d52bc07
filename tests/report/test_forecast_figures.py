"""Maps of a what-if, on margins of several decades, of none, and alike."""

from types import SimpleNamespace

import numpy as np
import pytest

from wallsim.report import forecast_figures, forecast_maps
from wallsim.report.forecast_figures import TRIANGLE, _along, draw_whatif
from wallsim.report.forecast_maps import _edges, _even, _steep


def document(margins):
    firings = []
    for i, row in enumerate(margins):
        for j, margin in enumerate(row):
            peak = {"estimate": 900.0 + 10 * i + j, "low": 890.0, "high": 950.0}
            firings.append({
                "name": None, "changes": {"wall": 1e-3 * (4 + i), "pressure": 1e5 * (2 + j)},
                "bore_peak_K": peak, "outside_peak_K": peak, "limits": {},
                "survival": {"margin": {"estimate": margin, "low": margin, "high": margin},
                             "below_factor_s": None},
            })
    return {"varied": {"wall": [0, 1, 2], "pressure": [0, 1, 2]}, "firings": firings,
            "factor": 4.0}


@pytest.mark.parametrize(
    "margins",
    [
        [[0.0, 0.3, 1.2], [2.0, 7.0, 40.0], [30.0, 300.0, 1200.0]],
        [[90.0, 91.0, 92.0], [93.0, 94.0, 95.0], [96.0, 97.0, 98.0]],
        [[0.0, 0.0, 0.0]] * 3,
        [[5.0, 5.0, 5.0]] * 3,
    ],
)
def test_a_map_of_any_margins_is_drawn_without_a_warning(margins):
    drawings = draw_whatif(document(margins))
    assert [d.stem for d in drawings] == ["map_bore", "map_outside", "map_margin"]
    assert "the factor asked for, 4." in drawings[2].caption


@pytest.mark.usefixtures("sketched")
def test_a_map_marks_firings_without_a_value_and_the_limit_asked_for():
    doc = document([[90.0, 91.0, 92.0]] * 3)
    for firing in doc["firings"]:
        firing["limits"] = {"limit": {"at_K": 905.0, "time_s": None}}
    lost = doc["firings"][0]
    lost["bore_peak_K"] = {"estimate": None, "low": 1473.15, "high": None}
    lost["survival"]["margin"] = None
    drawings = draw_whatif(doc)
    assert [d.stem for d in drawings] == ["map_bore", "map_outside", "map_margin"]
    assert "Grey with a cross: too hot" in drawings[0].caption
    assert "Red: your limit, 632 °C." in drawings[0].caption
    assert "which counts as below the factor. " in drawings[2].caption
    assert "Every value shown is above the factor asked for, 4." in drawings[2].caption
    whole = draw_whatif(document([[90.0, 91.0, 92.0]] * 3))
    assert not any("Grey" in drawing.caption for drawing in whole)
    assert "Every value shown is above the factor asked for, 4." in whole[2].caption


@pytest.mark.usefixtures("sketched")
def test_the_line_of_a_limit_goes_on_along_cells_known_to_be_too_hot():
    """No estimate reaches the limit; what cells that leave the table are known to reach does."""
    doc = document([[90.0, 91.0, 92.0]] * 3)
    for firing in doc["firings"]:
        firing["limits"] = {"limit": {"at_K": 1200.0, "time_s": None}}
        if firing["changes"]["pressure"] > 2.5e5:
            firing["bore_peak_K"] = {"estimate": None, "low": 1473.15, "high": None}
    for firing in doc["firings"][1::3]:
        firing["bore_peak_K"] = {"estimate": 950.0, "low": 890.0, "high": 990.0}
    drawings = draw_whatif(doc)
    assert "Red: your limit, 927 °C." in drawings[0].caption


@pytest.mark.usefixtures("sketched")
def test_the_line_of_the_factor_lies_between_loads_that_were_assessed_alone():
    """A cell without a load next to one of 5 is no crossing of 4; one of 3 is."""
    doc = document([[5.0, 6.0, 7.0]] * 3)
    doc["firings"][0]["survival"]["margin"] = None
    assert "Red" not in draw_whatif(doc)[2].caption
    doc["firings"][8]["survival"]["margin"] = {"estimate": 3.0, "low": 2.9, "high": 3.1}
    assert "Red: the factor asked for, 4." in draw_whatif(doc)[2].caption


def test_cells_of_a_map_end_above_nothing():
    assert _edges(np.array([2.0, 8.0, 10.0]), clip=True).tolist() == [1.0, 5.0, 9.0, 11.0]
    assert _edges(np.array([20.0, 100.0]), clip=False).tolist() == [-20.0, 60.0, 140.0]


@pytest.mark.usefixtures("sketched")
def test_a_sweep_and_bars_mark_a_value_that_is_only_known_to_be_more():
    doc = document([[90.0], [91.0], [92.0]])
    doc["varied"] = {"wall": [0, 1, 2]}
    assert TRIANGLE not in draw_whatif(doc)[0].caption
    doc["firings"][0]["bore_peak_K"] = {"estimate": None, "low": 1473.15, "high": None}
    assert TRIANGLE in draw_whatif(doc)[0].caption
    doc["varied"] = {}
    for i, firing in enumerate(doc["firings"]):
        firing["label"] = str(i)
    assert [d.stem for d in draw_whatif(doc)] == ["bore", "outside", "margin"]


def test_bars_have_a_title_and_an_arrow_towards_an_open_end(monkeypatch):
    monkeypatch.setattr(forecast_figures, "finish",
                        lambda figure, stem, *words: SimpleNamespace(figure=figure, stem=stem))
    doc = document([[90.0], [91.0], [92.0]])
    doc["varied"] = {}
    for i, firing in enumerate(doc["firings"]):
        firing["label"] = str(i)

    def axes_and_arrows():
        [axes] = draw_whatif(doc)[0].figure.axes
        return axes, [(text.xyann, text.xy) for text in axes.texts]

    axes, arrows = axes_and_arrows()
    assert (axes.get_title(loc="left") or axes.get_title(), arrows) == ("bore peak", [])
    peak = doc["firings"][1]["bore_peak_K"]
    doc["firings"][1]["bore_peak_K"] = peak | {"high": None}
    axes, [(tail, head)] = axes_and_arrows()
    assert tail == pytest.approx((peak["estimate"] - 273.15, 1.0))
    assert tail[0] < head[0] <= axes.get_xlim()[1]
    assert head[1] == 1.0


def test_a_map_has_the_limit_of_the_bore_as_a_line_with_its_name(monkeypatch):
    monkeypatch.setattr(forecast_maps, "finish",
                        lambda figure, stem, *words: SimpleNamespace(figure=figure, words=words))
    doc = document([[90.0, 91.0], [95.0, 96.0]])
    for limits, words in (({"oxidation": {"at_K": 910.0}}, ["oxidation limit, 637 °C"]), ({}, [])):
        for firing in doc["firings"]:
            firing["limits"] = limits
        bore = draw_whatif(doc)[0]
        legend = bore.figure.axes[0].get_legend()
        assert [text.get_text() for text in legend.get_texts()] == words if words else not legend


@pytest.mark.usefixtures("sketched")
def test_a_firing_made_once_stands_at_every_pause():
    doc = document([[90.0], [91.0], [92.0]])
    doc["varied"] = {"firings": [1, 3], "pause": [20.0, 120.0]}
    once, short, long = doc["firings"]
    once["changes"] = {"firings": 1}
    short["changes"], long["changes"] = ({"firings": 3, "pause": p} for p in (20.0, 120.0))
    assert [d.stem for d in draw_whatif(doc)] == ["map_bore", "map_outside", "map_margin"]
    assert "pause" not in once["changes"]


@pytest.mark.usefixtures("sketched")
def test_bars_name_each_firing_once_whatever_its_pause(monkeypatch):
    monkeypatch.setattr(forecast_figures, "finish",
                        lambda figure, stem, *words: SimpleNamespace(figure=figure, stem=stem))
    doc = document([[90.0], [91.0], [92.0]])
    doc["firings"] += [f | {"changes": dict(f["changes"])} for f in doc["firings"]]
    doc["varied"] = {"blend": ["a", "b"], "firings": [1, 2], "pause": [30.0, 120.0]}
    for i, (firing, pause) in enumerate(zip(doc["firings"], 2 * (None, 30.0, 120.0), strict=True)):
        firing["label"] = str(i)
        firing["changes"] = {"blend": "ab"[i // 3], "firings": 2 if pause else 1}
        firing["changes"] |= {"pause": pause} if pause else {}
    [axes] = draw_whatif(doc)[0].figure.axes
    assert [text.get_text() for text in axes.get_yticklabels()] == list("012345")


def entries(axes):
    """What a legend shows beside each of its words: line and marker."""
    legend = axes.get_legend()
    return {text.get_text(): (line.get_linestyle(), line.get_marker())
            for text, line in zip(legend.get_texts(), legend.get_lines(), strict=True)}


@pytest.mark.usefixtures("sketched")
def test_a_legend_shows_what_is_drawn_and_names_low_ends_alone(monkeypatch):
    monkeypatch.setattr(forecast_figures, "finish",
                        lambda figure, stem, *words: SimpleNamespace(figure=figure, stem=stem))
    doc = document([[90.0], [91.0], [92.0]])
    doc["varied"] = {"wall": [0, 1, 2]}
    [axes] = draw_whatif(doc)[0].figure.axes
    assert entries(axes) == {"unchanged": ("-", "None")}
    open_ended = {"estimate": None, "low": 1473.15, "high": None}
    for firing, shown in zip(doc["firings"], ("^", "^", "o"), strict=True):
        if shown == "^":
            firing["bore_peak_K"] = open_ended
    [axes] = draw_whatif(doc)[0].figure.axes
    assert entries(axes) == {"unchanged": ("None", "o")}
    doc["firings"][2]["bore_peak_K"] = doc["firings"][2]["bore_peak_K"] | {"high": None}
    [axes] = draw_whatif(doc)[0].figure.axes
    assert entries(axes) == {"unchanged": ("None", "o"), "low end, no high one": (":", ".")}
    doc["firings"][2]["bore_peak_K"] = open_ended
    [axes] = draw_whatif(doc)[0].figure.axes
    assert entries(axes) == {"unchanged": ("None", "^")}


@pytest.mark.usefixtures("sketched")
def test_dotted_low_ends_along_the_tube_are_in_the_legend(monkeypatch):
    monkeypatch.setattr(forecast_figures, "finish",
                        lambda figure, *words: SimpleNamespace(figure=figure))
    rows = {"estimate": [700.0, 750.0], "low": [600.0, 650.0], "high": [800.0, 850.0]}
    for high, named in ((rows["high"], False), ([None, None], True)):
        along = _along("r1", {
            "z_m": [0.0, 0.1], "limits": {}, "bore_at_shutdown_K": rows | {"high": high},
            "outside_at_shutdown_K": rows, "bore_peak_K": None}, "along_r1")
        (axes,) = along.figure.axes
        assert ("low end, no high one" in entries(axes)) == named


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (700.0, 700.0), (3.2, 1187.0)])
def test_even_levels_hold_all_values(low, high):
    levels = _even(np.array([low, high]))
    assert levels[0] <= low <= high <= levels[-1]
    assert 2 <= levels.size <= 13


@pytest.mark.parametrize(
    ("low", "high", "levels"),
    [(0.5, 1200.0, [0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000]),
     (83.0, 345.0, [80, 100, 120, 150, 200, 250, 300, 400]),
     (1.0, 10.0, [1, 1.5, 2, 3, 5, 7, 10]), (5.0, 5.0, [5, 6])],
)
def test_levels_hold_all_values_and_are_the_finer_the_closer_these_are(low, high, levels):
    assert _steep(np.array([low, high])) == pytest.approx(levels)


@pytest.mark.usefixtures("sketched")
def test_the_limit_of_the_bore_is_a_line_beside_its_peaks_and_along_the_tube(monkeypatch):
    monkeypatch.setattr(forecast_figures, "finish",
                        lambda figure, stem, *words: SimpleNamespace(figure=figure, stem=stem))
    doc = document([[90.0, 91.0, 92.0]])
    doc["varied"] = {"pressure": [0, 1, 2]}
    stated = {"oxidation": {"at_K": 1143.15}, "limit": {"at_K": 905.15}}

    def lines(figure):
        return [text.get_text() for axes in figure.axes for legend in [axes.get_legend()] if legend
                for text in legend.get_texts() if "limit" in text.get_text()]

    for limits, words in (({}, []), (stated, ["your limit of the bore, 632 °C"]),
                          ({"oxidation": stated["oxidation"]},
                           ["oxidation limit of the bore, 870 °C"])):
        for firing in doc["firings"]:
            firing["limits"] = limits
        bore, outside, *_ = draw_whatif(doc)
        assert bore.stem == "bore_by_pressure"
        assert lines(bore.figure) == words
        assert lines(outside.figure) == []
        bars, *_ = draw_whatif(doc | {"varied": {}, "firings": [
            f | {"label": str(i)} for i, f in enumerate(doc["firings"])]})
        assert lines(bars.figure) == words
        rows = {"estimate": [600.0, 700.0], "low": [500.0, 600.0], "high": [700.0, 800.0]}
        along = _along("r1", {"z_m": [0.0, 0.1], "limits": limits, "bore_at_shutdown_K": rows,
                              "outside_at_shutdown_K": rows, "bore_peak_K": None}, "along_r1")
        assert lines(along.figure) == words


@pytest.mark.usefixtures("sketched")
@pytest.mark.parametrize(
    ("peak", "caption", "drawn"),
    [({"estimate": 773.15, "low": 673.15, "high": 973.15}, "the bore's peak, 400 to 700 °C;",
      [400.0, 500.0, 700.0]),
     ({"estimate": 773.15, "low": 673.15, "high": None}, "over 400 °C, its high end open.",
      [400.0, 500.0]),
     ({"estimate": None, "low": 673.15, "high": None}, "over 400 °C, its high end open.",
      [400.0])],
)
def test_the_interval_of_the_bore_peak_stands_beside_the_band_of_each_place(
    monkeypatch, peak, caption, drawn
):
    monkeypatch.setattr(forecast_figures, "finish",
                        lambda figure, *words: SimpleNamespace(figure=figure, caption=words[-1]))
    rows = {"estimate": [700.0, 750.0], "low": [600.0, 650.0], "high": [800.0, 850.0]}
    along = _along("r1", {"z_m": [0.0, 0.1], "limits": {}, "bore_at_shutdown_K": rows,
                          "outside_at_shutdown_K": rows, "bore_peak_K": peak}, "along_r1")
    assert caption in along.caption
    (axes,) = along.figure.axes
    beside = [y for line in axes.lines for x, y in zip(*line.get_data(), strict=True) if x > 100.0]
    assert sorted(set(beside)) == pytest.approx(drawn)
