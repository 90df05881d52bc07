"""Result folders of every command are rendered again, from what is in them alone."""

import pytest

import wallsim
from tests.cli.campaign import write
from tests.plan import small_plan
from wallsim.errors import InputError
from wallsim.report import render


def made(kind, folder, pool):
    if kind == "place":
        return wallsim.place(wallsim.load_plan(small_plan.write(folder)), executor=pool)
    path = write(folder / "campaign")
    text = path.read_text().replace("[fit]\n", '[fit]\ncoefficient = "1500 W/m^2/K +- 5 %"\n')
    path.write_text(text)
    if kind == "predict":
        return wallsim.predict(wallsim.load_case(path), executor=pool, draws=3)
    question = folder / "q.toml"
    question.write_text('case = "campaign"\ndraws = 3\nmeasurable = true\n[vary]\n'
                        'wall = ["3 mm", "5 mm"]\nblend = ["dosed"]\n')
    return wallsim.whatif(question, executor=pool)


@pytest.mark.parametrize(
    "kind", ["predict", "whatif", pytest.param("place", marks=pytest.mark.slow)])
def test_a_folder_rendered_again_is_the_same(kind, tmp_path, coarse, sketched, pool):
    folder = made(kind, tmp_path, pool).save(tmp_path / "out")
    before = {p: p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
    pictures = [p for p in before if p.suffix == ".png"]
    assert len(pictures) >= 2
    for path in (*pictures, folder / "report.html"):
        path.unlink()
    (folder / "figures" / "of_long_ago.png").write_bytes(b"")
    assert render(folder) == folder / "report.html"
    assert {p: p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()} == before

    for lost in sorted(folder.glob("readings/*.csv"))[:1]:
        lost.unlink()
        with pytest.raises(InputError, match=rf"readings/{lost.name} of run \w+ is missing; run "):
            render(folder)
    text = (folder / "result.json").read_text()
    (folder / "result.json").write_text(text.replace('"case":', '"other":').replace(
        '"firings":', '"other":'))
    with pytest.raises(InputError, match=r"has no (case|firings); run the command again"):
        render(folder)
