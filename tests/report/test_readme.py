"""What the manual says of the demo and of a result folder, against both."""

import re
import tomllib
from pathlib import Path

from tests.report import sample
from wallsim.report.tables import tables

ROOT = Path(__file__).parents[2]
MANUAL = (ROOT / "README.md").read_text(encoding="utf-8")
DEMO = tomllib.loads((ROOT / "cases/lance/case.toml").read_text(encoding="utf-8"))


def example():
    return tomllib.loads(re.search(r"```toml\n(.*?)```", MANUAL, re.DOTALL)[1])


def test_the_example_is_an_extract_of_the_demo():
    shown = example()
    assert shown["title"] == DEMO["title"]
    for table in ("tube", "fit", "pressure"):
        for key, value in shown[table].items():
            assert DEMO[table][key] == value, f"{table}.{key}"
    for name, blend in shown["blend"].items():
        for key, value in blend.items():
            assert DEMO["blend"][name][key] == value, f"blend.{name}.{key}"
    for table in ("sensor", "run"):
        of_demo = {entry["name"]: entry for entry in DEMO[table]}
        for entry in shown[table]:
            assert of_demo[entry["name"]] == entry


def test_every_table_of_a_result_folder_is_listed():
    listed = re.findall(r"^\| `tables/(\w+)\.csv` \|", MANUAL, re.MULTILINE)
    assert sorted(listed) == sorted(tables(sample.document()))
    for other in ("report.html", "result.json", "traces/RUN.csv", "figures/*.png"):
        assert f"| `{other}` |" in MANUAL


def test_the_words_of_a_result_are_explained():
    section = MANUAL.partition("### How to read the result")[2].partition("\n### ")[0]
    for word in ("Quality gate", "Prior", "What limits", "Interval", "Curvature"):
        assert re.search(rf"^- \*\*{word}\*\*", section, re.MULTILINE), word


def test_its_pictures_are_there_and_small():
    pictures = re.findall(r"!\[([^]]+)\]\(([^)]+)\)", MANUAL)
    assert pictures
    for words, place in pictures:
        assert len(words) > 20
        assert 1e3 < (ROOT / place).stat().st_size < 80e3, place
