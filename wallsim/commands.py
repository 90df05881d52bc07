"""The commands with their options; with `wallsim.cli`, the only place that prints."""

from __future__ import annotations

import enum
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from wallsim import __version__

if TYPE_CHECKING:
    from rich.console import Console

app = typer.Typer(
    name="wallsim",
    help="Gas-side coefficient and deposit resistance of an uncooled combustor tube from "
    "thermocouples on its outside.",
    epilog="Exit codes: 0 done, 1 internal fault, 2 usage, 3 bad input, 4 no convergence, "
    "5 done but a quality gate failed, 130 interrupted. Estimates only: never a basis for "
    "personnel safety.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

class Intervals(enum.StrEnum):
    """How intervals are made."""

    AUTO = "auto"
    LAPLACE = "laplace"
    PROFILE = "profile"


CaseFile = Annotated[Path, typer.Argument(metavar="CASE", help="Case file, or the folder with "
                                          "its case.toml.")]
Out = Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="Result folder, new or "
                                   "empty.")]
Force = Annotated[bool, typer.Option("--force", help="Replace a result folder that is there.")]
Json = Annotated[bool, typer.Option("--json", help="One JSON document on stdout, nothing else.")]
From = Annotated[Path | None, typer.Option("--from", metavar="DIR", help="Result folder of a fit "
                                          "to start from; without it the values of the case.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Errors only.")]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"wallsim {__version__}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Estimate what a deposit on the bore of a fired tube is worth."""


@app.command(epilog="Example: wallsim fit cases/lance --out results/lance")
def fit(
    case: CaseFile,
    out: Out,
    laws: Annotated[bool | None, typer.Option("--laws/--no-laws", help="Compare growth laws for "
                    "every blend, or for none; without it for blends of growth auto.")] = None,
    intervals: Annotated[Intervals, typer.Option("--intervals", help="Profile "
                         "likelihood intervals, which need no symmetry, beside those from "
                         "curvature: of all read-outs (profile), of none (laplace), or of mean "
                         "resistances that are wide (auto).")] = Intervals.AUTO,
    sample: Annotated[int, typer.Option("--sample", metavar="N", min=0, help="Also N draws from "
                      "the posterior; each takes some four evaluations of all firings.")] = 0,
    bootstrap: Annotated[int, typer.Option("--bootstrap", metavar="N", min=0, help="Also N "
                         "draws of each blend's firings, with replacement.")] = 0,
    starts: Annotated[int, typer.Option("--starts", metavar="N", min=0, help="Fit again from N "
                      "other starts: is the minimum the lowest?")] = 0,
    force: Force = False,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Fit all firings of a campaign at once: the main job."""
    from wallsim.output import result_folder

    loaded = _load(case)
    ways = {"laws": laws, "intervals": intervals.value, "sample": sample, "bootstrap": bootstrap,
            "starts": starts}
    with result_folder(out, force=force, keep=loaded.files) as beside:
        result = _run_fit(loaded, quiet, ways)
        result.write(beside)
    if json:
        sys.stdout.write(result.to_json() + "\n")
    elif not quiet:
        from wallsim.report import summary

        summary(result.document, _console())
        sys.stdout.write(f"Report: {out / 'report.html'}\n")
    _leave(result, json or quiet)


def _leave(result: Any, unsaid: bool) -> None:
    """Leave with the exit code of a result; its problems go to stderr where ``unsaid``."""
    if result.exit_code:
        if unsaid:
            bad = (line["text"] for line in result.document["verdict"] if line["level"] == "bad")
            sys.stderr.write("".join(f"{text}\n" for text in bad))
        raise typer.Exit(result.exit_code)


def _run_fit(case: Any, quiet: bool, ways: dict[str, Any]) -> Any:
    from wallsim.api import fit as run
    from wallsim.build import load_campaign
    from wallsim.estimate.unknowns import Unknowns
    from wallsim.progress import shown

    with shown(_console(stderr=True), quiet=quiet) as tell:
        tell(f"reading {_many(len(case.runs), 'log')}")
        campaign = load_campaign(case)
        traces = sum(len(firing.traces) for firing in campaign.firings)
        size = len(Unknowns.of(campaign).prior.names)
        tell(f"fitting {_many(len(case.runs), 'run')}, {_many(traces, 'trace')}, {size} unknowns",
             "about a minute for eight runs")

        def told(stage: str, evaluation: int, misfit: float) -> None:
            state = f"evaluation {evaluation}, misfit {misfit:.4g}"
            tell(stage, state, min(1 + evaluation, 13) / 14.0)

        return run(case, progress=told, campaign=campaign, **ways)


def _many(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


@app.command(epilog="Example: wallsim predict cases/lance --from results/lance --out "
             "results/predicted")
def predict(
    case: Annotated[Path, typer.Argument(metavar="CASE", help="Case file or plan, or the folder "
                                         "with its case.toml.")],
    out: Out,
    fitted: From = None,
    run: Annotated[list[str] | None, typer.Option("--run", metavar="NAME", help="This firing "
                   "only; may be given again. All of them without it.")] = None,
    factor: Annotated[float, typer.Option("--factor", min=1.0, help="Limit load over gas pressure "
                      "that you ask for.")] = 4.0,
    force: Force = False,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """March the firings from stated or fitted values, without fitting: temperatures, survival."""
    from wallsim.output import result_folder
    from wallsim.plan.planned import plan_at

    plan = plan_at(case)
    asked, loaded = (plan, plan.case) if plan else 2 * (_load(case),)
    inputs = (*loaded.files, *([fitted] if fitted else []))
    with result_folder(out, force=force, keep=inputs) as beside:
        from wallsim.api import predict as march
        from wallsim.progress import shown

        with shown(_console(stderr=True), quiet=quiet) as tell:
            result = march(asked, fitted, None, lambda n: tell(f"marching {_many(n, 'firing')}"),
                           runs=tuple(run or ()), factor=factor)
        result.write(beside)
    if not quiet or json:
        from wallsim.report.forecast import prediction_rows

        _show(result, f"Prediction: {loaded.title}", prediction_rows, out, json)
    _leave(result, json or quiet)


@app.command(epilog="Example: wallsim whatif cases/thicker_tube --from results/lance --out "
             "results/thicker")
def whatif(
    case: Annotated[Path, typer.Argument(metavar="CASE", help="What-if file, or the folder with "
                                         "its whatif.toml; a case or a plan asks for no change.")],
    out: Out,
    fitted: From = None,
    cluster: Annotated[str | None, typer.Option("--cluster", metavar="tcp://HOST:PORT", help=
                       "Distributed scheduler whose workers do the marches; without it the cores "
                       "of this machine.")] = None,
    force: Force = False,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Try other walls, metals, burns, pressures, blends: temperatures, limits, survival."""
    from wallsim.output import result_folder
    from wallsim.plan.whatif_file import load_question

    question = load_question(case)
    inputs = (question.path, *question.files, *([fitted] if fitted else []))
    with result_folder(out, force=force, keep=inputs) as beside:
        result = _run_whatif(question, fitted, cluster, quiet)
        result.write(beside)
    if not quiet or json:
        from wallsim.report.forecast import whatif_rows

        _show(result, question.title, whatif_rows, out, json)
    _leave(result, json or quiet)


def _run_whatif(question: Any, fitted: Path | None, cluster: str | None, quiet: bool) -> Any:
    from wallsim import workers
    from wallsim.api import whatif as run
    from wallsim.progress import shown

    with (
        workers.cluster(cluster) if cluster else workers.processes() as pool,
        shown(_console(stderr=True), quiet=quiet) as tell,
    ):
        def told(n: int, total: int) -> None:
            if n:
                tell("firings answered", f"{n} of {total}", n / total)
            else:
                tell(f"marching {_many(total, 'changed firing')}")

        return run(question, fitted, pool, told)


def _show(result: Any, title: str, rows: Any, out: Path, json: bool) -> None:
    from wallsim.report.forecast import forecast_text

    if json:
        sys.stdout.write(result.to_json() + "\n")
    else:
        sys.stdout.write(forecast_text(title, rows(result.document), result.document))
        sys.stdout.write(f"Report: {out / 'report.html'}\n")


@app.command(epilog="Example: wallsim new my-campaign")
def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make, new or empty.")],
) -> None:
    """Write a commented starter campaign with logs that fit it."""
    from wallsim.output import result_folder
    from wallsim.starter import write_starter

    with result_folder(folder, replaceable=False) as beside:
        write_starter(beside)
    sys.stdout.write(f"Case file: {folder / 'case.toml'}; next: wallsim check {folder}\n")


@app.command(epilog="Example: wallsim check cases/lance")
def check(
    case: Annotated[Path, typer.Argument(metavar="CASE", help="Case file, plan, what-if file or "
                                         "question of a next firing, or the folder of one.")],
    json: Json = False,
) -> None:
    """Read everything, screen the logs, say what will be used and why not; march nothing."""
    from wallsim.build import load_campaign
    from wallsim.check import check_document, check_text, question_document, question_text
    from wallsim.file_kinds import kind_at, lies_in

    path = lies_in(case) if case.is_dir() else case
    document, text = question_document(path, kind_at(path)), question_text
    if document is None:
        document, text = check_document(load_campaign(_load(path))), check_text
    if json:
        import json as jsonlib

        from wallsim.report.document import plain

        sys.stdout.write(jsonlib.dumps(plain(document), indent=1, ensure_ascii=False) + "\n")
    else:
        sys.stdout.write(text(document))


@app.command(epilog="Example: wallsim place cases/placement --out results/lance-plan")
def place(
    case: Annotated[Path, typer.Argument(metavar="CASE", help="Plan, or the folder with its "
                                         "case.toml.")],
    out: Out,
    force: Force = False,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say where to put thermocouples, how long to fire and how often, before a campaign."""
    from wallsim.output import result_folder
    from wallsim.plan.place_file import load_plan

    plan = load_plan(case / "case.toml" if case.is_dir() else case)
    with result_folder(out, force=force, keep=(plan.case.path,)) as beside:
        result = _run_place(plan, quiet)
        result.write(beside)
    from wallsim.report.placement import plan_text

    _answer(result, plan_text, out, json, quiet)


def _answer(result: Any, text: Callable[[Any], str], out: Path, json: bool, quiet: bool) -> None:
    """Say what a plan found, and leave with its exit code."""
    if json:
        sys.stdout.write(result.to_json() + "\n")
    elif not quiet:
        sys.stdout.write(f"{text(result.document)}Report: {out / 'report.html'}\n")
    if result.exit_code:
        if json or quiet:
            bad = (a["text"] for a in result.document["answers"] if a.get("level") == "bad")
            sys.stderr.write("".join(f"{text}\n" for text in bad))
        raise typer.Exit(result.exit_code)


def _run_place(plan: Any, quiet: bool) -> Any:
    from wallsim.api import place as run
    from wallsim.progress import shown

    if not quiet:
        from wallsim.plausibility import planned_slips

        slips = planned_slips(plan.case, [(r.burn, r.pressure) for r in plan.runs])
        sys.stderr.write("".join(f"Look at this first: {slip}\n" for slip in slips))
    with shown(_console(stderr=True), quiet=quiet) as tell:
        tell("marching the plan")
        return run(plan, progress=lambda question, answered, every: tell(
            question, share=answered / every))


@app.command("next", epilog="Example: wallsim next cases/next_firing --from results/lance --out "
             "results/lance-next")
def next_firing(
    case: Annotated[Path, typer.Argument(metavar="CASE", help="File that states the decision, or "
                                         "the folder with its next.toml.")],
    out: Out,
    fitted: Annotated[Path, typer.Option("--from", metavar="DIR", help="Result folder of the fit "
                                         "of the campaign.")],
    force: Force = False,
    json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say which firing to make next to settle a decision, how often, and its chance to."""
    from wallsim.output import result_folder
    from wallsim.plan.next_file import load_next

    question = load_next(case)
    with result_folder(out, force=force, keep=(question.path, *question.case.files, fitted)) as at:
        from wallsim.api_next import next_firing as run
        from wallsim.progress import shown

        with shown(_console(stderr=True), quiet=quiet) as tell:
            result = run(question, fitted, progress=tell)
        result.write(at)
    from wallsim.report.next_firing import next_text

    _answer(result, next_text, out, json, quiet)


@app.command(epilog="Example: wallsim report results/lance")
def report(folder: Annotated[Path, typer.Argument(metavar="DIR", help="A result folder.")]) -> None:
    """Render a result folder again: tables, figures, report.html."""
    from wallsim.report import render

    sys.stdout.write(f"Report: {render(folder)}\n")


def _load(path: Path) -> Any:
    from wallsim.case import load_case

    return load_case(path / "case.toml" if path.is_dir() else path)


def _console(*, stderr: bool = False) -> Console:
    from rich.console import Console

    return Console(stderr=stderr)
