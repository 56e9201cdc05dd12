"""Builds that a search starts from: values of the design variables <-> rows."""

from typing import Any

from layers.errors import InputError
from optimize.scenario.space import Gene, Row, Space
from optimize.scenario.variables import StartBuild, StartLayer

_VARIABLES = (
    "thickness_mm",
    "material",
    "youngs_modulus_mpa",
    "surface_over_centre",
    "shape",
    "density_g_cm3",
    "dimple_pattern",
)
_CHOICES = ("material", "dimple_pattern")
# Values are steps rounded to this, mm, MPa or g/cm3.
_SAME = 1e-6


def start_rows(space: Space) -> tuple[Row, ...]:
    """Return the rows of a scenario's start builds.

    Parameters
    ----------
    space : Space
        The scenario's builds.

    Raises
    ------
    InputError
        If a start build is not among them; the message names layer, variable and what is allowed.
    """
    return tuple(_row(space, build) for build in space.scenario.start)


def _row(space: Space, build: StartBuild) -> Row:
    what = f"start build {build.name!r}"
    given = {layer.layer: layer for layer in build.layer}
    count = len(space.scenario.layer)
    for number, layer in given.items():
        if number > count:
            raise InputError(f"{what}: layer is {number}, but must be from 1 to {count}.")
        known = {gene.what for gene in space.genes if gene.layer == number - 1}
        for name in _VARIABLES:
            if getattr(layer, name) is not None and name not in known:
                raise InputError(
                    f"{what}: {name} of layer {number} is not a design variable; remove it."
                )
    return tuple(_step(gene, given.get(gene.layer + 1), space, what) for gene in space.genes)


def _step(gene: Gene, layer: StartLayer | None, space: Space, what: str) -> int:
    if gene.what == "present":
        return int(layer is not None)
    where = f"{what}: {gene.what} of layer {gene.layer + 1}"
    if layer is None:
        if space.scenario.layer[gene.layer].optional:
            return 0
        raise InputError(f"{where} is missing; give it, it is a design variable.")
    value = getattr(layer, gene.what)
    if value is None:
        raise InputError(f"{where} is missing; give it, it is a design variable.")
    for step, known in enumerate(gene.values):
        if known == value if gene.what in _CHOICES else abs(known - value) < _SAME:
            return step
    raise InputError(f"{where} is {value!r}, but must be {_allowed(gene)}.")


def _allowed(gene: Gene) -> str:
    if gene.what in _CHOICES:
        return f"one of: {', '.join(gene.values)}"
    first, second, *_ = gene.values
    return f"from {first:g} to {gene.values[-1]:g} in steps of {second - first:g}"


def start_of(space: Space, row: Row, name: str) -> StartBuild:
    """Write a row as a start build.

    Parameters
    ----------
    space : Space
        Its space.
    row : tuple of int
        Which value each design variable takes.
    name : str
        The build's.
    """
    layers: dict[int, dict[str, Any]] = {}
    absent: set[int] = set()
    for gene, step in zip(space.genes, row, strict=True):
        value = gene.values[step]
        if gene.what == "present":
            absent |= set() if value else {gene.layer}
            layers.setdefault(gene.layer, {})
        else:
            layers.setdefault(gene.layer, {})[gene.what] = value
    kept = {i: values for i, values in layers.items() if i not in absent}
    return StartBuild(
        name=name, layer=tuple(StartLayer(layer=i + 1, **values) for i, values in kept.items())
    )
