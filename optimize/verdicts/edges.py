"""Design variables at the edge of their range in all members, or nearly all."""

from dataclasses import dataclass
from typing import Literal

from optimize.scenario.space import Gene, Space
from optimize.search.result import Run
from optimize.verdicts.words import counted

# Told where at least this share of the members that have the layer are at the same edge.
_LEAST_SHARE = 0.75
_EXTREMES = {
    "thickness_mm": ("thinnest", "thickest"),
    "youngs_modulus_mpa": ("softest", "stiffest"),
    "density_g_cm3": ("lightest", "densest"),
    "surface_over_centre": ("least graded", "most graded"),
    "shape": ("straightest in profile", "most curved in profile"),
}
_UNITS = {
    "thickness_mm": " mm",
    "youngs_modulus_mpa": " MPa",
    "density_g_cm3": " g/cm3",
    "surface_over_centre": " to 1",
    "shape": "",
}
Side = Literal["lowest", "highest", "same choice"]


@dataclass(frozen=True)
class Edge:
    """A design variable at one end of its range, or of one choice.

    Attributes
    ----------
    layer, role : int, str
        The scenario's layer, from 1 at the centre, and its role.
    variable : str
        ``"thickness_mm"``, ``"youngs_modulus_mpa"``, ``"surface_over_centre"``, ``"shape"``,
        ``"density_g_cm3"``, ``"material"``, ``"present"``, ``"dimple_pattern"``.
    value : float, str or bool
        The value at the edge, or the choice.
    side : str
        ``"lowest"`` or ``"highest"`` of the range; ``"same choice"`` for a choice without order.
    members, of : int
        How many members have it, of how many that have the layer.
    sentence : str
        The same as text.
    """

    layer: int
    role: str
    variable: str
    value: float | str | bool
    side: Side
    members: int
    of: int
    sentence: str


def edges(run: Run) -> tuple[Edge, ...]:
    """Find what the members have at the edge of its range, centre outward."""
    row_of = {build.key: build.row for build in run.builds}
    rows = [row_of[m.key] for m in run.short_list if m.key in row_of]
    genes = Space(run.scenario).genes
    absent = [{g.layer for g, k in zip(genes, row, strict=True) if _left_out(g, k)} for row in rows]
    found = []
    for place, gene in enumerate(genes):
        taken = [
            row[place]
            for row, out in zip(rows, absent, strict=True)
            if gene.layer not in out or gene.what in ("present", "dimple_pattern")
        ]
        for edge in _ends(gene):
            count = taken.count(edge)
            if taken and count >= _LEAST_SHARE * len(taken) and _told(gene, count, taken):
                found.append(_edge(run, gene, edge, count, len(taken)))
    return tuple(found)


def _left_out(gene: Gene, k: int) -> bool:
    return gene.what == "present" and not gene.values[k]


def _ends(gene: Gene) -> tuple[int, ...]:
    return (0, len(gene.values) - 1) if gene.ordered else tuple(range(len(gene.values)))


def _told(gene: Gene, count: int, taken: list[int]) -> bool:
    """Tell a choice without order only where all members agree: it has no edge."""
    return gene.ordered or count == len(taken)


def _edge(run: Run, gene: Gene, k: int, count: int, of: int) -> Edge:
    role, value = run.scenario.layer[gene.layer].role, gene.values[k]
    everywhere = "the one member" if of == 1 else f"all {counted(of)}"
    where = everywhere if count == of else f"{counted(count)} of {counted(of)}"
    advice = ": widen the range or accept it" if count == of else ""
    side: Side = "same choice"
    if gene.what == "present":
        said = f"The {role} is {'in' if value else 'left out of'} {where}."
    elif gene.what == "dimple_pattern":
        said = f"The dimple pattern is {value} in {where}."
    elif gene.what == "material":
        side, extreme = _stiffness(run, gene, k)
        offered = f"the {extreme} of {counted(len(gene.values))} offered, " if extreme else ""
        advice = ": offer another or accept it" if extreme else ""
        said = f"The {role} is of {value}, {offered}in {where}{advice}."
    else:
        side = "lowest" if k == 0 else "highest"
        extreme = _EXTREMES[gene.what][k > 0]
        allowed = f"the {extreme} allowed, {value:g}{_UNITS[gene.what]}"
        said = f"The {role} is {allowed}, in {where}{advice}."
    return Edge(gene.layer + 1, role, gene.what, value, side, count, of, said)


def _stiffness(run: Run, gene: Gene, k: int) -> tuple[Side, str]:
    """Say whether a choice of material is the softest or the stiffest offered."""
    if run.scenario.layer[gene.layer].youngs_modulus_mpa is not None:
        return "same choice", ""  # the modulus is a design variable of its own
    moduli = {card.name: card.youngs_modulus_mpa.value for card in run.scenario.material}
    offered = [moduli[name] for name in gene.values]
    if offered[k] == min(offered) < max(offered):
        return "lowest", "softest"
    if offered[k] == max(offered) > min(offered):
        return "highest", "stiffest"
    return "same choice", ""
