"""What an emulator's search works on: which figures, predicted where."""

from types import SimpleNamespace

import numpy as np

from optimize.scenario.goals import Bound, Goal
from optimize.search.problem import Problem

GOALS = (Goal(figure="mass_g", aim="minimize"), Goal(figure="cor", aim="maximize"))
BOUNDS = tuple(Bound(name, "at most", 1.0, 0.0, "") for name in ("moi_ratio", "mass_g"))


def test_each_figure_is_emulated_once_goals_first_and_predicted_at_its_coordinates():
    problem = Problem(
        space=None,  # type: ignore[arg-type]
        encode=lambda rows: np.array(rows) / 10.0,
        admissible=lambda row: True,
        goals=GOALS,
        bounds=BOUNDS,
    )
    assert problem.figures == ("mass_g", "cor", "moi_ratio")
    emulator = SimpleNamespace(predict=lambda x: {"x": x})
    found = problem.predict(emulator, [(1, 2), (3, 4)])  # type: ignore[arg-type]
    assert (found.goals, found.bounds) == (GOALS, BOUNDS)
    np.testing.assert_allclose(found.predictions["x"], [(0.1, 0.2), (0.3, 0.4)])
