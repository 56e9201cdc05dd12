"""The first call on a fresh install compiles the numerical code, all at once and said so.

Without this each function would be compiled when it is first called; see
`layers.numerics.machine_code`.
"""

from collections.abc import Iterable
from importlib import import_module

from layers.ball import Ball, Layer, Role
from layers.errors import SolverError
from layers.estimation import estimate
from layers.figures import QUANTITIES, FigureName, parse_figure
from layers.materials import default_catalogue

# Of each test the function that is compiled last, so that its machine code tells that all is there;
# and how long compiling takes on an idle core, s, measured.
_PLATES, _MODE, _BARRIER, _STRIKE = (
    ("layers.compression.contact", "push", 5.0),
    ("layers.numerics.band", "back_substitute", 5.0),
    ("layers.impact.kernels", "impact", 5.0),
    ("layers.strike.march", "march", 15.0),
)

# Of the cure of a core, which is no figure of a ball.
_CURE = ("layers.cure.march", "march", 20.0)

# A figure of each test.
_EXAMPLES = {
    _PLATES: "deflection_mm",
    _MODE: "frequency_hz",
    _BARRIER: "cor",
    _STRIKE: "driver fast.spin_rpm",
}


def seconds_to_compile(names: Iterable[str]) -> float:
    """Return about how long the first call will compile, s; 0 if machine code lies on the disk.

    Parameters
    ----------
    names : iterable of str
        The figures that will be computed.
    """
    from layers.numerics.machine_code import is_kept

    tests = {test for name in names if (test := _test(parse_figure(name)))}
    kernels = [(getattr(import_module(module), name), time) for module, name, time in tests]
    return sum(time for kernel, time in kernels if not is_kept(kernel))


def seconds_to_compile_the_cure() -> float:
    """Return about how long the first cure will compile, s; 0 if machine code lies on the disk."""
    from layers.numerics.machine_code import is_kept

    module, name, time = _CURE
    return 0.0 if is_kept(getattr(import_module(module), name)) else time


def compile_ahead(names: Iterable[str]) -> None:
    """Have another process compile what these figures need and the disk lacks, and wait for it.

    Parameters
    ----------
    names : iterable of str
        The figures that will be computed; swings may be any, all strikes are one code.

    Raises
    ------
    InputError
        If the code cannot be compiled or kept.
    """
    wanted = set(names)
    if wanted and seconds_to_compile(wanted):
        from layers.numerics.machine_code import apart

        tests = {test for name in wanted if (test := _test(parse_figure(name)))}
        apart(_compute, *sorted(_EXAMPLES[test] for test in tests))


def _compute(*names: str) -> None:
    """Compute figures of any ball."""
    card = default_catalogue().material[0]
    sizes: dict[Role, float] = {
        "inner core": 24.0,
        "outer core": 38.5,
        "mantle": 41.0,
        "cover": 42.7,
    }
    layers = [Layer(role=r, outer_diameter_mm=d, material=card) for r, d in sizes.items()]
    failed = estimate(Ball(name="first call", layer=tuple(layers)), names).failed
    if failed:
        raise SolverError("; ".join(set(failed.values())))


def _test(figure: FigureName) -> tuple[str, str, float] | None:
    quantity = QUANTITIES[figure.quantity]
    if quantity.basis != "finite element":
        return None
    if quantity.of != "body":
        return _STRIKE
    return {"deflection_mm": _PLATES, "frequency_hz": _MODE}.get(figure.quantity, _BARRIER)


def notice(seconds: float) -> str:
    """Say what the first call waits for."""
    return (
        f"First call of this version: compiling the numerical code for this machine, "
        f"about {seconds:.0f} s, once."
    )
