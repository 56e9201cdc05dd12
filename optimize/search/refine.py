"""The short list computed anew on the fine mesh, where the error of differences is smaller."""

from dataclasses import replace

from layers.estimates import Estimate
from optimize.compute.evaluator import Evaluator
from optimize.compute.one import Compute
from optimize.ledger.ledger import Ledger
from optimize.search import shortlist
from optimize.search.answer import lacking
from optimize.search.result import Member, Run


def fine_evaluator(ledger: Ledger, compute: Compute | None, model_version: str) -> Evaluator:
    """Return an evaluator whose figures the ledger keeps apart from those of the default mesh.

    Parameters
    ----------
    ledger : Ledger
        Where they are read and written.
    compute : callable or None
        Computes on the fine mesh; None reads only.
    model_version : str
        Version of the model on the default mesh.
    """
    return Evaluator(ledger, compute, model_version=f"{model_version}+fine")


def refined(run: Run, evaluator: Evaluator) -> Run:
    """Return a run with its short list on the fine mesh: figures, violations, prices, likeness.

    Where the ledger is only read and lacks some of them, the run stays as it is.

    Parameters
    ----------
    run : Run
        Its short list is on the default mesh.
    evaluator : Evaluator
        From `fine_evaluator`.
    """
    requests = [
        (stage.ball, tuple((*stage.figures, *stage.failed)))
        for member in run.short_list
        for stage in member.stages
    ]
    estimates = evaluator.estimates(requests) if evaluator.compute else evaluator.recorded(requests)
    if any(
        not set(names) <= {*e.figures, *e.failed}
        for (_, names), e in zip(requests, estimates, strict=True)
    ):
        return replace(run, lacking=lacking("the short list on the fine mesh"))
    found = iter(estimates)
    members = [
        _refined(run, member, tuple(next(found) for _ in member.stages))
        for member in run.short_list
    ]
    goals = run.scenario.goal
    if run.feasible:
        labels, builds = [m.label for m in members], [m.estimate for m in members]
        alike = shortlist.alike(goals, labels, builds)
        members = [
            replace(member, indistinguishable_from=same)
            for member, same in zip(members, alike, strict=True)
        ]
    return replace(
        run,
        short_list=tuple(members),
        prices=shortlist.prices(goals, members) if run.feasible else (),
        mesh="fine",
    )


def _refined(run: Run, member: Member, stages: tuple[Estimate, ...]) -> Member:
    values = {name: figure.value for name, figure in stages[-1].figures.items()}
    values |= run.scenario.measured(member.ball, values)
    bounds = [bound for bound in run.scenario.bounds() if bound.figure in values]
    excess = {bound: bound.excess(values[bound.figure]) for bound in bounds}
    violated = {bound: over for bound, over in excess.items() if over > 0.0}
    judged = {shortlist.named(bound) for bound in bounds}
    kept = {what: over for what, over in member.violations.items() if what not in judged}
    reason = member.reason
    if violated:
        reason += f"; on the fine mesh it violates {shortlist.violated(violated)}"
    return replace(
        member,
        estimate=stages[-1],
        stages=stages,
        violations=kept | {shortlist.named(bound): over for bound, over in violated.items()},
        reason=reason,
    )
