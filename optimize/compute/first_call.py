"""The first call on a fresh install compiles the numerical code, all at once and said so.

Without this each function would be compiled when it is first called; see
`layers.numerics.machine_code`.
"""

from collections.abc import Iterable
from importlib import import_module

from layers.arrays import Precision
from layers.ball import Ball, Layer, Role
from layers.conditions import Conditions
from layers.errors import SolverError
from layers.estimation import estimate
from layers.figures import QUANTITIES, FigureName, parse_figure
from layers.materials import default_catalogue

# Of each test the function that is compiled last, so that its machine code tells that all is there;
# and how long compiling takes on an idle core, s, measured.
_PLATES, _MODE, _BARRIER, _BARRIER_DOUBLE, _STRIKE, _STRIKE_DOUBLE = (
    ("layers.compression.contact", "push", 5.0),
    ("layers.numerics.band", "back_substitute", 5.0),
    ("layers.impact.kernels", "impact_single", 5.0),
    ("layers.impact.kernels", "impact_double", 5.0),
    ("layers.strike.march", "march_single", 15.0),
    ("layers.strike.march", "march_double", 15.0),
)

# Of the cure of a core, which is no figure of a ball.
_CURE = ("layers.cure.march", "march", 20.0)

# A figure of each test.
_EXAMPLES = {
    _PLATES: "deflection_mm",
    _MODE: "frequency_hz",
    _BARRIER: "cor",
    _BARRIER_DOUBLE: "cor",
    _STRIKE: "driver fast.spin_rpm",
    _STRIKE_DOUBLE: "driver fast.spin_rpm",
}


def seconds_to_compile(names: Iterable[str], precision: Precision = "single") -> float:
    """Return about how long the first call will compile, s; 0 if machine code lies on the disk.

    Parameters
    ----------
    names : iterable of str
        The figures that will be computed.
    precision : {"single", "double"}
        Of the impacts.
    """
    from layers.numerics.machine_code import is_kept

    tests = _tests(names, precision)
    kernels = [(getattr(import_module(module), name), time) for module, name, time in tests]
    return sum(time for kernel, time in kernels if not is_kept(kernel))


def seconds_to_compile_the_cure() -> float:
    """Return about how long the first cure will compile, s; 0 if machine code lies on the disk."""
    from layers.numerics.machine_code import is_kept

    module, name, time = _CURE
    return 0.0 if is_kept(getattr(import_module(module), name)) else time


def compile_ahead(names: Iterable[str], precision: Precision = "single") -> None:
    """Have another process compile what these figures need and the disk lacks, and wait for it.

    Parameters
    ----------
    names : iterable of str
        The figures that will be computed; swings may be any, all strikes are one code.
    precision : {"single", "double"}
        Of the impacts.

    Raises
    ------
    InputError
        If the code cannot be compiled or kept.
    """
    wanted = set(names)
    if wanted and seconds_to_compile(wanted, precision):
        from layers.numerics.machine_code import apart

        tests = _tests(wanted, precision)
        apart(_compute, precision, *sorted(_EXAMPLES[test] for test in tests))


def _compute(precision: Precision, *names: str) -> None:
    """Compute figures of any ball."""
    card = default_catalogue().material[0]
    sizes: dict[Role, float] = {
        "inner core": 24.0,
        "outer core": 38.5,
        "mantle": 41.0,
        "cover": 42.7,
    }
    layers = [Layer(role=r, outer_diameter_mm=d, material=card) for r, d in sizes.items()]
    ball = Ball(name="first call", layer=tuple(layers))
    failed = estimate(ball, names, Conditions(precision=precision)).failed
    if failed:
        raise SolverError("; ".join(set(failed.values())))


def _tests(names: Iterable[str], precision: Precision) -> set[tuple[str, str, float]]:
    """Return what computes these figures."""
    return {test for name in names if (test := _test(parse_figure(name), precision))}


def _test(figure: FigureName, precision: Precision) -> tuple[str, str, float] | None:
    quantity = QUANTITIES[figure.quantity]
    if quantity.basis != "finite element":
        return None
    if quantity.of != "body":
        return _STRIKE if precision == "single" else _STRIKE_DOUBLE
    barrier = _BARRIER if precision == "single" else _BARRIER_DOUBLE
    return {"deflection_mm": _PLATES, "frequency_hz": _MODE}.get(figure.quantity, barrier)


def notice(seconds: float) -> str:
    """Say what the first call waits for."""
    return (
        f"First call of this version: compiling the numerical code for this machine, "
        f"about {seconds:.0f} s, once."
    )
