"""Members that are distinct, and members that are one build to the model."""

from dataclasses import dataclass

from optimize.search.result import Run
from optimize.verdicts.words import counted, listed


@dataclass(frozen=True)
class Likeness:
    """Members linked by being the same within the model's resolution in every goal.

    Attributes
    ----------
    members : tuple of str
        Labels; each is the same as at least one other of them.
    one_build : bool
        Whether every two of them are the same; otherwise only neighbours in a chain are.
    sentence : str
        The same as text.
    """

    members: tuple[str, ...]
    one_build: bool
    sentence: str


def likenesses(run: Run) -> tuple[Likeness, ...]:
    """Group the members that the model does not tell apart."""
    same = {m.label: set(m.indistinguishable_from) for m in run.short_list}
    groups, seen = [], set[str]()
    for label in same:
        if label in seen or not same[label]:
            continue
        group, waiting = {label}, [label]
        while waiting:
            new = same[waiting.pop()] - group
            group |= new
            waiting += sorted(new)
        seen |= group
        groups.append(_likeness(tuple(sorted(group)), same))
    return tuple(groups)


def _likeness(labels: tuple[str, ...], same: dict[str, set[str]]) -> Likeness:
    apart = [(a, b) for i, a in enumerate(labels) for b in labels[i + 1 :] if b not in same[a]]
    if not apart:
        said = f"{listed(labels)} are one build to the model: no goal tells them apart."
    else:
        one, other = max(apart, key=lambda pair: labels.index(pair[1]) - labels.index(pair[0]))
        said = (
            f"{listed(labels)} shade into each other: the model tells {one} from {other}, but not "
            "each from the next."
        )
    return Likeness(labels, not apart, said)


def distinct_words(run: Run, groups: tuple[Likeness, ...]) -> str:
    """Say how many members the model tells from every other."""
    labels = [member.label for member in run.short_list]
    linked = {label for group in groups for label in group.members}
    alone = [label for label in labels if label not in linked]
    if not labels or not run.feasible:
        return ""
    if len(labels) == 1:
        return f"{labels[0]} is the only member."
    if len(alone) == len(labels):
        return f"All {counted(len(labels))} members are distinct: some goal tells every two apart."
    if not alone:
        return f"None of the {counted(len(labels))} members is distinct from every other."
    are = "is" if len(alone) == 1 else "are"
    return f"{listed(alone)} {are} distinct from every other member."
