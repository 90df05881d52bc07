"""Figures of a plan and of a next firing: their legends and ticks."""

from types import SimpleNamespace

import pytest

from wallsim.report import next_figures, placement_figures
from wallsim.report.next_figures import draw_chance
from wallsim.report.placement_figures import draw_along, draw_number

pytestmark = pytest.mark.usefixtures("sketched")


@pytest.fixture(autouse=True)
def as_figure(monkeypatch):
    """Give figures back as they are, not as a file."""
    for module in (next_figures, placement_figures):
        monkeypatch.setattr(module, "finish", lambda figure, *words: SimpleNamespace(
            figure=figure, caption=words[-1]))


def document(*welded):
    stations = [{"z_m": 0.02 * (i + 1), "depth_m": 0.0, "welded_already": w}
                for i, w in enumerate(welded)]
    row = {"thermocouples": len(welded), "stations": stations, "half_widths": [0.2],
           "evenly_spaced": 0.3, "plain": None}
    return {
        "wants": [{"text": "R of dosed", "unit": "1", "half_width": 0.2}], "goal": 0.25,
        "stations": stations, "against_number": [row | {"thermocouples": 1}, row],
        "tube_length_m": 0.1, "keep_out_m": [],
        "along_tube": {"z_m": [0.02, 0.04], "depth_m": [0.0, 0.0], "alone": [0.4, 0.3],
                       "one_more": [0.2, 0.2]},
    }


def words(axes):
    return [text.get_text() for text in axes.get_legend().get_texts()]


@pytest.mark.parametrize("welded", [(False, True), (False, False), (True, True)])
def test_a_station_welded_on_already_is_in_the_legend_where_there_is_one(welded):
    doc = document(*welded)
    along = draw_along(doc)
    assert ("welded on already" in words(along.figure.axes[1])) == any(welded)
    assert ("chosen station" in words(along.figure.axes[1])) != all(welded)
    assert ("squares: welded on already" in along.caption) == any(welded)
    assert ("welded on already" in words(draw_number(doc).figure.axes[1])) == any(welded)


def test_the_legend_of_the_intervals_covers_none_of_them():
    top = draw_number(document(False, False)).figure.axes[0]
    top.figure.canvas.draw()
    assert words(top) == ["best places", "evenly spaced", "goal"]
    assert top.get_legend().get_window_extent().y1 < top.get_window_extent().y0


@pytest.mark.parametrize("most", [1, 2, 4])
def test_firings_are_whole(most):
    steps = [{"total": n + 1, "chance": 0.1 * n} for n in range(most)]
    doc = {"candidates": [{"blend": "dosed", "steps": steps}], "mixes": [],
           "decision": {"chance_wanted": None}}
    axes = draw_chance(doc).figure.axes[0]
    assert axes.get_xticks().tolist() == [step["total"] for step in steps]
