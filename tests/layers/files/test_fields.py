"""Numbers of files and requests: what is none is refused, however deep it is hidden."""

import pytest
from pydantic import ValidationError

from layers.files.fields import Table, numeric


class Span(Table):
    """A table of each kind of field that has numbers, and of two that have none."""

    size: float = numeric("mm", "a size", 0.0, 9.0, 1.0)
    count: int | None = numeric("1", "a count", 0, 9, None)
    ends: tuple[float, float] = numeric("mm", "both ends", default=(0.0, 1.0))
    rows: tuple[tuple[float, float], ...] = numeric("mm", "pairs", default=())
    name: str = ""
    fine: bool = False


@pytest.mark.parametrize(
    ("field", "value"),
    [("size", True), ("count", False), ("ends", [0.5, True]), ("rows", [[1, 2], [False, 3]])],
)
def test_true_and_false_are_no_numbers(field, value):
    with pytest.raises(ValidationError) as caught:
        Span.model_validate({field: value})
    (fault,) = caught.value.errors()
    assert fault["loc"] == (field,)
    assert "number" in fault["msg"]


def test_numbers_and_truth_values_in_their_places_are_read():
    read = Span.model_validate({"size": 2, "count": 1, "ends": [0, 1], "rows": [[1, 0]]})
    assert (read.size, read.count, read.ends, read.rows) == (2.0, 1, (0.0, 1.0), ((1.0, 0.0),))
    assert Span.model_validate({"fine": True}).fine
    with pytest.raises(ValidationError, match="string"):
        Span.model_validate({"name": True})


def test_lists_nested_without_end_are_refused_like_others():
    value: object = 1.0
    for _ in range(900):
        value = [value]
    with pytest.raises(ValidationError):
        Span.model_validate({"ends": value})
