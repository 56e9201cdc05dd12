"""Local sensitivities of the short list: from the ledger, or computed now on request."""

from collections.abc import Mapping
from typing import Any

from layers.conditions import Conditions
from layers.estimates import Estimate
from optimize.compute.evaluator import Evaluator, model_version_under, only
from optimize.compute.pool import computing
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Known
from optimize.page.launches import Tick
from optimize.report.slopes import layer_name
from optimize.scenario.brief import Scenario
from optimize.scenario.space import content_of, key_of
from optimize.search.judge import is_closed_form
from optimize.search.result import Run
from optimize.sensitivity.perturbation import PERTURBATIONS, Study, plan
from optimize.sensitivity.slopes import Slopes, slopes_from

_NOTHING = Known({}, {})


def figures_sloped(scenario: Scenario) -> tuple[str, ...]:
    """Return the goals' and limits' figures whose slopes are shown: those without a closed form."""
    names = scenario.figures()
    return tuple(name for name in names if not is_closed_form(name)) or tuple(names)


def slopes_of(
    run: Run, ledger: Ledger, workers: int = 1, compute: bool = False, tick: Tick | None = None
) -> dict[str, Slopes]:
    """Return the slopes of the members whose neighbours are all in the ledger.

    Parameters
    ----------
    run : Run
        A finished search.
    ledger : Ledger
        Where figures are read, and written unless it is read-only.
    workers : int
        Processes that compute.
    compute : bool
        Whether to compute the neighbours that the ledger lacks.
    tick : callable, optional
        Called with how many builds are done and how many there are.

    Returns
    -------
    dict of str to Slopes
        By member's label.
    """
    studies = {m.label: plan(m.ball, figures_sloped(run.scenario)) for m in run.short_list}
    # Slopes are differences of figures.
    conditions = (run.scenario.estimate_conditions() or Conditions()).in_double()
    version = model_version_under(conditions)
    if compute:
        _compute(conditions, studies, ledger, workers, tick)
    found = {label: _known(study, ledger, version) for label, study in studies.items()}
    return {
        label: slopes_from(studies[label], estimates)
        for label, estimates in found.items()
        if estimates is not None
    }


def _compute(
    conditions: Conditions,
    studies: Mapping[str, Study],
    ledger: Ledger,
    workers: int,
    tick: Tick | None,
) -> None:
    requests = [request for study in studies.values() for request in study.requests]
    with computing(workers, conditions) as compute:
        evaluator = Evaluator(ledger, compute, model_version_under(conditions), conditions)

        def computed(_: int, __: Known) -> None:
            if tick and evaluator.computed:
                tick(evaluator.computed, len(requests) - evaluator.reused)

        evaluator.figures(requests, computed)


def _known(study: Study, ledger: Ledger, version: str) -> list[Estimate] | None:
    """Return the estimates of a study's builds; None unless the ledger has them all."""
    keys = [key_of(content_of(ball)) for ball, _ in study.requests]
    known = ledger.known(list(dict.fromkeys(keys)), version)
    estimates = []
    for key, (ball, names) in zip(keys, study.requests, strict=True):
        one = known.get(key, _NOTHING)
        if not one.covers(names):
            return None
        kept = only(one, names)
        estimates.append(Estimate(ball, kept.figures, kept.failed))
    return estimates


def slopes_record(found: Slopes) -> dict[str, Any]:
    """Return the change of each figure by a practical step of each variable, with its error."""
    figures = list(found.estimate.figures)
    return {
        "figures": figures,
        "variables": [
            f"{layer_name(found, v)} {PERTURBATIONS[v.kind].label} "
            f"{PERTURBATIONS[v.kind].practical_text}"
            for v in found.variables
        ],
        "changes": [
            [
                [float(f"{slope.change:.4g}"), float(f"{slope.change_error:.3g}")]
                if (slope := found.slopes.get((name, v)))
                else None
                for name in figures
            ]
            for v in found.variables
        ],
    }
