"""A finished run as files: report, tables, plain data, drawings, and each build to go on with."""

from collections.abc import Callable, Sequence
from pathlib import Path

from layers.ball_file import ball_toml
from layers.errors import InputError
from layers.files.paths import write_text
from optimize.report import run as runreport
from optimize.report.tables import markdown
from optimize.report.trade_columns import csv_in_chosen_units
from optimize.report.writing import json_text
from optimize.search.result import Run

TEXTS: dict[str, tuple[str, Callable[[Run, str], str]]] = {
    "markdown": ("report.md", lambda run, ledger: _markdown(run, ledger)),
    "json": ("run.json", lambda run, ledger: json_text(runreport.run_record(run, ledger)) + "\n"),
    "csv": ("short_list.csv", lambda run, _: csv_in_chosen_units(runreport.short_list_csv(run))),
}


def run_text(run: Run, ledger: str, form: str) -> str:
    """Write a run as one text.

    Parameters
    ----------
    run : Run
        A finished search.
    ledger : str
        The file with its evaluations.
    form : str
        ``csv``, ``json`` or ``markdown``.

    Raises
    ------
    InputError
        If the form is another.
    """
    if form not in TEXTS:
        raise InputError(f"--format is {form!r}, but must be one of: {', '.join(sorted(TEXTS))}.")
    return TEXTS[form][1](run, ledger)


def _markdown(run: Run, ledger: str) -> str:
    return markdown(runreport.run_sections(run, ledger), run.scenario.name)


def make_folder(folder: Path) -> None:
    """Make a folder, unless it is there.

    Raises
    ------
    InputError
        If it cannot be made or written to.
    """
    probe = folder / ".orbwright-probe"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe.touch()
        probe.unlink()
    except OSError as error:
        raise InputError(f"folder {folder} cannot be written: {error.strerror}.") from error


def write_run(run: Run, ledger: str, folder: Path, forms: Sequence[str] = ()) -> list[Path]:
    """Write a run into a folder.

    Parameters
    ----------
    run : Run
        A finished search.
    ledger : str
        The file with its evaluations.
    folder : Path
        Made if it is not there; files of the same names are replaced.
    forms : sequence of str
        Which texts; none for all of them, with the drawings and a TOML file for each build.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    InputError
        If the folder or a file cannot be written, or a form is not known.
    """
    texts = {TEXTS[form][0]: text for form in forms if (text := run_text(run, ledger, form))}
    if not forms:
        texts = {name: write(run, ledger) for name, write in TEXTS.values()}
        texts["report.md"] += _pictures(run)
        texts["evaluations.csv"] = csv_in_chosen_units(runreport.evaluations_csv(run))
        for member in run.short_list:
            texts[f"build_{member.label}.toml"] = ball_toml(member.ball)
    make_folder(folder)
    for name, text in texts.items():
        write_text(folder / name, text)
    written = [folder / name for name in texts]
    return written if forms else written + _draw(run, folder)


def _pictures(run: Run) -> str:
    shown = ["## Drawings", "", "![trade-off](trade_off.svg)", ""]
    if run.short_list:
        shown += ["![builds of the short list](builds.svg)", ""]
    return "\n".join(["", *shown])


def _draw(run: Run, folder: Path) -> list[Path]:
    from optimize.report.pictures.section import draw_ball, draw_balls, save
    from optimize.report.pictures.trade_off import draw_tradeoff

    drawings = {"trade_off": draw_tradeoff(run)}
    if run.short_list:
        balls = [member.ball for member in run.short_list]
        drawings["builds"] = draw_balls(balls, [member.label for member in run.short_list])
    for member in run.short_list:
        drawings[f"build_{member.label}"] = draw_ball(member.ball)
    paths = []
    for name, drawing in drawings.items():
        for ending in ("svg", "png"):
            paths.append(folder / f"{name}.{ending}")
            save(drawing, paths[-1])
    return paths
