"""The figures that the bench shows, grouped by the test that gives them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from layers.errors import InputError
from layers.figures import BALL_FIGURES, QUANTITIES, parse_figure
from layers.rules.screen import rule_set
from layers.strike.swings import SwingTable
from optimize.scenario.brief import Scenario
from optimize.scenario.goals import Bound
from optimize.scenario.measures import is_figure

LAUNCH = ("ball_speed_m_s", "launch_angle_deg", "spin_rpm")
FLIGHT = ("carry_m", "apex_m", "descent_angle_deg")
DEFAULT_SWINGS = ("driver fast", "mid iron fast", "wedge half fast")
MOST_SWINGS = 6

# Cheap tests first.
_COST = {"closed": 0, "plates": 1, "mode": 2, "barrier": 3, "strike": 4, "club": 5}


@dataclass(frozen=True)
class Test:
    """One physical test and the figures that it gives.

    Attributes
    ----------
    kind : str
        closed (no test), plates, mode, barrier, strike, club.
    owner : str
        The stage, swing or club it is of; empty for the ball.
    names : tuple of str
        Figures, by the names under which they were requested.
    """

    kind: str
    owner: str
    names: tuple[str, ...]


def swings_shown(
    chosen: Sequence[str], scenario: Scenario | None, table: SwingTable
) -> tuple[str, ...]:
    """Return the swings on the bench: those of the scenario, then the chosen or the typical ones.

    Parameters
    ----------
    chosen : sequence of str
        Names from the command line.
    scenario : Scenario or None
        Its figures name swings.
    table : SwingTable
        The swings that there are.

    Raises
    ------
    InputError
        If one is not in the table, or there are too many.
    """
    for name in chosen:
        table.find(name)
    if len(set(chosen)) > MOST_SWINGS:
        raise InputError(f"the bench shows at most {MOST_SWINGS} swings, not {len(set(chosen))}.")
    known = [swing.name for swing in table.swing]
    named = [parse_figure(figure).swing for figure in (scenario.figures() if scenario else ())]
    wanted = list(dict.fromkeys(swing for swing in named if swing and swing in known))
    if chosen:
        return tuple(dict.fromkeys([*wanted, *chosen]))
    usual = [swing for swing in DEFAULT_SWINGS if swing in known] or known
    filled = list(dict.fromkeys([*wanted, *usual]))
    return tuple(filled[: max(len(wanted), len(DEFAULT_SWINGS))])


def figures_shown(
    swings: Iterable[str], scenario: Scenario | None, bounds: Iterable[Bound]
) -> tuple[str, ...]:
    """Return the names of the figures on the bench, each once, in the order shown.

    Parameters
    ----------
    swings : iterable of str
        Launch and flight of each are shown.
    scenario : Scenario or None
        Its goals and limits name figures.
    bounds : iterable of Bound
        Their figures are shown too.
    """
    names = list(BALL_FIGURES)
    for swing in swings:
        names += [f"{swing}.{quantity}" for quantity in (*LAUNCH, *FLIGHT)]
    names += scenario.figures() if scenario else ()
    names += [bound.figure for bound in bounds]
    return tuple(dict.fromkeys(names))


def bounds_shown(scenario: Scenario | None) -> tuple[Bound, ...]:
    """Return the limits on the bench: the scenario's, else those of the present rules."""
    if scenario:
        return tuple(b for b in scenario.bounds() if is_figure(b.figure))
    found = []
    for limit in rule_set("present").limit:
        source = f"rules 'present': {limit.source}"
        if limit.at_least is not None:
            found.append(Bound(limit.figure, "at least", limit.at_least, 0.0, source))
        if limit.at_most is not None:
            found.append(Bound(limit.figure, "at most", limit.at_most, 0.0, source))
    return tuple(found)


def grouped_by_test(names: Iterable[str]) -> tuple[Test, ...]:
    """Sort figures into the tests that give them, the cheapest test first."""
    found: dict[tuple[str, str], list[str]] = {}
    for name in names:
        found.setdefault(_test(name), []).append(name)
    tests = [Test(kind, owner, tuple(group)) for (kind, owner), group in found.items()]
    return tuple(sorted(tests, key=lambda test: _COST[test.kind]))


def _test(name: str) -> tuple[str, str]:
    figure = parse_figure(name)
    known = QUANTITIES[figure.quantity]
    if known.basis == "closed form":
        return "closed", ""
    if known.of != "body":
        return ("strike" if known.of == "swing" else "club"), figure.swing or ""
    kind = {"deflection_mm": "plates", "frequency_hz": "mode"}.get(figure.quantity, "barrier")
    return kind, f"stage {figure.stage}" if figure.stage else ""
